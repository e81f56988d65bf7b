"""A radial heat balance of a composting pile: demo data, test data, and what the outlook is tried on.

Equations and parameters with their sources: physics.py and parameters.py. Every figure that comes out is simulated;
none is evidence about a real pile. Weak points: radial symmetry (no cold base, no chimney), core oxygen stays higher
than field reports suggest, the plateau is set by ``t_max_c``.
"""

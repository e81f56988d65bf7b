"""A rule of the yard's own."""

RULE = 'id = "own"\n'

"""The two ways a command can fail, and the one line each prints."""

from __future__ import annotations


class UserError(Exception):
    """The person's mistake; the text says what to do. Exit 2."""


class SurroundingsError(Exception):
    """The machine's or the network's failure. Exit 1."""

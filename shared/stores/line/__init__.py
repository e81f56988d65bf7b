"""Readings in a store that speaks the line protocol, behind a spool of our own."""

"""Arranges: the only package that knows the wall clock, the store and the command line."""

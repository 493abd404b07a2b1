"""Decides: pure functions over readings. No clock, file, socket, log, randomness or thread is reachable from here."""

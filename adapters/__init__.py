"""Touches the world: serial lines, brokers, mail servers, recorded files. Knows `rules`, never `daemon`."""

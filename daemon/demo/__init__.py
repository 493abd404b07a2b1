"""The demo: the real daemon's parts over a simulated shelf whose time runs fast, and an invented keeper who follows advice."""

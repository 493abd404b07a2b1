"""What a terminal shows: colours, progress, the manual page."""

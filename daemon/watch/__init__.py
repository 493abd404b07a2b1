"""The daemon that runs: inbox, engine, timetable, page, and how it starts, reloads and ends."""

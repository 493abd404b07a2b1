"""The commands of `dewlid`, one file each: `add(subparsers)` says how it is called, `run(args)` does it.

Only light modules may be imported at the top of these files, since every call of `dewlid` imports all of them.
"""

GROUPS = {
    "to begin": ("init", "check", "run", "demo"),
    "to look": ("watch", "alarms", "why", "report", "overview", "dew"),
    "to answer": ("done", "ack", "shelve", "visit", "out_of_service", "away"),
    "to tell what you see and do": ("note", "lid", "calibrate", "care", "leaves", "garden", "care_calendar"),
    "to tune, and to keep the record": ("tune", "replay", "export", "backup", "restore"),
    "to read on, and for other programs": ("keys", "manual", "completion", "sign"),
}
"""Module names by what the commands are for, in the order in which `dewlid --help` lists them."""

COMMANDS = tuple(name for names in GROUPS.values() for name in names)

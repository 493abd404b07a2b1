"""The commands of `dewlid`, one file each: `add(subparsers)` says how it is called, `run(args)` does it.

Only light modules may be imported at the top of these files, since every call of `dewlid` imports all of them.
"""

COMMANDS = (
    "init",
    "run",
    "check",
    "dew",
    "alarms",
    "ack",
    "shelve",
    "out_of_service",
    "visit",
    "done",
    "why",
    "lid",
    "calibrate",
    "sign",
    "watch",
    "report",
    "replay",
    "demo",
    "tune",
    "export",
    "backup",
    "restore",
    "care",
    "note",
    "leaves",
    "garden",
    "away",
    "care_calendar",
    "overview",
    "keys",
    "manual",
    "completion",
)
"""Module names, in the order in which `dewlid --help` lists them."""

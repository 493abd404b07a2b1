"""The commands of `dewlid`, one file each: `add(parser)` says how it is called, `run(args)` does it.

Only the file of the command that is called is imported; what `dewlid --help` lists of the others stands here.
"""

GROUPS: dict[str, dict[str, str]] = {
    "to begin": {
        "init": "find probes and write a first config",
        "check": "check the config, every probe and every outlet",
        "run": "watch the chambers (the daemon)",
        "rehearse": "send letters as in an emergency, marked as a rehearsal, and see what arrives when",
        "demo": "see five days of a simulated shelf in a minute",
    },
    "to look": {
        "watch": "show the chambers live in the terminal",
        "alarms": "list the alarms that stand",
        "why": "see what is advised in a chamber, why, and all the numbers",
        "report": "show a period of the record as one page",
        "overview": "see all sites that report to one broker",
        "dew": "work out dew point and lid from one reading, without config",
    },
    "to answer": {
        "done": "say that you did what was advised",
        "ack": "acknowledge an alarm: you have seen it, reminders stop",
        "shelve": "quiet one alarm for a time",
        "unshelve": "let a shelved alarm be told again",
        "visit": "announce work in a chamber: lid and humidity are quiet meanwhile",
        "out-of-service": "take a probe out of use for a time, or put it back",
        "away": "hand the shelf over to a stand-in for a while",
        "undo": "take back what you said by mistake, with what followed from it",
    },
    "to tell what you see and do": {
        "note": "note what you saw in a chamber, and hear what it means",
        "lid": "see what is known of a lid, or teach it by a measurement or a look",
        "calibrate": "check a probe over saturated salt or beside another probe, and correct it",
        "care": "see what care is due, log what was done",
        "leaves": "write down which leaves you gave; see the leaf diary",
        "garden": "enter the garden's size, see its growth and the space plan",
        "calendar": "write the care plan as an iCalendar file",
    },
    "to tune, and to keep the record": {
        "tune": "see what another setting would have done with your own record",
        "replay": "run recorded readings through the engine and see what it tells",
        "export": "write the stored readings as CSV, JSON Lines or SenML",
        "backup": "make a verified copy of the store, or look whether one is whole",
        "restore": "put a copy in the place of the store; without a copy: list them",
    },
    "to read on, and for other programs": {
        "keys": "explain the keys of the config",
        "manual": "print the manual page",
        "completion": "print the shell completion",
        "sign": "write the signed message that says a word by MQTT",
    },
}
"""The line of each command by what it is for, in the order in which `dewlid --help` lists them."""

COMMANDS = {word: line for words in GROUPS.values() for word, line in words.items()}

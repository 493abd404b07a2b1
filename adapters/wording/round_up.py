"""Letters that gather: the summary of a flood, the digest, due care, and news about the watching itself."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.wording import commands
from adapters.wording.alarm_sentences import first_step, first_steps, label, over, sentence, title_of
from adapters.wording.as_it_is import figures_now
from adapters.wording.care_answers import answer
from adapters.wording.counting import counted
from adapters.wording.figures import Style, clean, span
from adapters.wording.questions import questions
from adapters.wording.sections import Block, Section, command, points, section, steps, text
from adapters.wording.situation import doubt, of_kind
from rules.settings import Settings
from rules.telling.news import calls
from rules.terms.events import (
    AdviceEvent,
    AlarmEvent,
    CareEvent,
    Figures,
    LetterEvent,
    News,
    QualityEvent,
    SystemEvent,
    WordEvent,
)
from rules.trade.alarm_kinds import WET_LID

_SEE_NOW = "To see how the chambers are now, type on the server:"
SYSTEM_TITLES = {
    "law-and-safety": "Now watching",
    "config-refused": "Config not accepted",
    "clock-step": "Clock was set",
    "outlet-down": "Messages wait",
    "outlet-refused": "Message refused",
    "outlet-back": "Messages flow again",
    "store-recovered": "Record was damaged or gone",
    "record-lost": "Record cannot be written",
    "record-back": "Record is written again",
    "words-unheard": "Your words are not taken",
    "backup-failed": "No backup was made",
    "commands-off": "No words by MQTT",
    "chattering": "An alarm comes and goes",
    "test-message": "Test",
}


def summary(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the body of the one letter that stands for many."""
    about, now_ms = letter.about, letter.at_ms
    alarms = of_kind(about, AlarmEvent)
    standing = [alarm for alarm in alarms if alarm.condition in ("active", "held", "unknown")]
    ended = [alarm for alarm in alarms if alarm not in standing]
    parts = [
        section("", [text(f"Several things at once: {len(about)} messages in one letter, the most important first.")]),
        section("Do this first", steps(_first_steps(about, standing, settings, style))),
        section("What is happening", points([sentence(alarm, settings, style, now_ms) for alarm in standing])),
        section("Over", points([over(alarm, settings, style, now_ms) for alarm in ended])),
        section("Probes", points([doubt(event, style) for event in of_kind(about, QualityEvent)])),
        section("Also", points(_other_lines(about, style))),
        section("Your answer", _acknowledge_all(standing)),
    ]
    return [part for part in parts if part is not None]


def _first_steps(
    about: Sequence[News], standing: list[AlarmEvent], settings: Settings, style: Style
) -> list[str]:
    lines = []
    advised = set()
    for advice in of_kind(about, AdviceEvent):
        if advice.actions:
            advised.add(advice.chamber)
            action = style.text(clean(advice.actions[0].text, 1000))
            lines.append(f"{title_of(settings, advice.chamber)}: {action.rstrip('.')}.")
    for alarm in standing:
        if alarm.chamber not in advised:
            advised.add(alarm.chamber)
            lines.append(f"{title_of(settings, alarm.chamber)}: {first_step(alarm)}")
    return lines


def _acknowledge_all(standing: list[AlarmEvent]) -> list[Block]:
    blocks = [text("You have seen them, and need no reminder; type on the server:")] if standing else []
    return blocks + [Block("command", commands.acknowledge(alarm)) for alarm in standing]


def _other_lines(about: Sequence[News], style: Style) -> list[str]:
    told = [event.text for event in about if isinstance(event, CareEvent | SystemEvent | WordEvent) and event.text]
    return [style.text(clean(line, 600)) for line in told]


def digest(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the body of the digest. It comes even when it is empty: its absence is how a dead server is
    noticed.
    """
    about, now_ms = letter.about, letter.at_ms
    alarms = of_kind(about, AlarmEvent)
    looks = [alarm for alarm in alarms if alarm.kind == "question" and alarm.open]
    standing = [alarm for alarm in alarms if alarm.kind == "alarm" and alarm.open]
    ended = [alarm for alarm in alarms if alarm.kind == "alarm" and not alarm.open]
    asked = [event for event in of_kind(about, AdviceEvent) if event.actions]
    advised = [event for event in of_kind(about, AdviceEvent) if event not in asked and (event.headline or event.reason)]
    care = of_kind(about, CareEvent)
    due = [event for event in care if event.status in ("due", "overdue", "harmful-if-missed")]
    parts = [
        section("", [text(_digest_opening(standing, looks, due, about, _begun(letter, settings)))]),
        section("One question, please", questions(standing, asked, settings, style, now_ms)),
        section("One look, please", _looks(looks, standing, settings, style, now_ms)),
        section("Still stands", points([sentence(alarm, settings, style, now_ms) for alarm in standing])),
        section("Still to do", [*_left_to_do(standing, asked, settings), *_to_do(asked, settings, style)]),
        section("Advice", points([_advice_line(event, settings, style) for event in advised])),
        section("How it is now", _by_room(letter, standing, settings, style)),
        section("Due", points([care_line(event, settings, style) for event in due])),
        section("What happened", points([_past(alarm, settings, style, now_ms) for alarm in ended])),
        section("Probes", points([doubt(event, style) for event in of_kind(about, QualityEvent)])),
        section("Done and noted", points([care_line(event, settings, style) for event in care if event not in due])),
        section("Also", points(_other_lines([event for event in about if not isinstance(event, CareEvent)], style))),
        section("This letter", [text(_heartbeat(settings))]),
    ]
    return [part for part in parts if part is not None]


def _looks(
    looks: Sequence[AlarmEvent], standing: Sequence[AlarmEvent], settings: Settings, style: Style, now_ms: int
) -> list[Block]:
    blocks: list[Block] = []
    lids = [alarm for alarm in looks if alarm.probe is None]
    wet = {alarm.chamber for alarm in standing if alarm.alarm in WET_LID}
    if lids:
        blocks += points([
            f"{title_of(settings, alarm.chamber)}: its lid is taken to be wet, by figures that are not sure of it; your eye is."
            if alarm.chamber in wet else sentence(alarm, settings, style, now_ms) for alarm in lids
        ])  # fmt: skip
        blocks.append(text("Type on the server what you see: dry, mist or droplets."))
        blocks += [Block("command", commands.lid_seen(alarm.chamber or "site")) for alarm in lids]
    for alarm in looks:
        if alarm.probe is not None:
            blocks += points([f"{sentence(alarm, settings, style, now_ms)} {first_step(alarm)}"])
            blocks += [text("So that nothing is told of it meanwhile, type on the server first (for the bag --for 1d):")]
            blocks += [Block("command", commands.out_of_service(alarm.probe))]
    return blocks


def _by_room(letter: LetterEvent, standing: Sequence[AlarmEvent], settings: Settings, style: Style) -> list[Block]:
    """Return a line for each chamber by room, where something stands first, in the order in which it is told."""
    order = list(dict.fromkeys(alarm.chamber for alarm in standing))
    rooms: dict[str | None, list[Figures]] = {}
    for one in sorted(letter.present, key=lambda one: order.index(one.chamber) if one.chamber in order else len(order)):
        chamber = settings.chambers.get(one.chamber)
        rooms.setdefault(None if chamber is None else chamber.room, []).append(one)
    blocks = []
    for room, mine in rooms.items():
        bad = sum(one.chamber in order for one in mine)
        name = title_of(settings, room) if room is not None else "No room named"
        if len(letter.present) > len(mine) or len(mine) > 1:
            count = f"something stands in {bad} of {counted(len(mine), 'chamber')}" if bad else counted(len(mine), "chamber")
            blocks.append(text(f"{name}: {count}."))
        blocks += points([figures_now(one, settings, style, letter.at_ms) for one in mine])
    return blocks


def _to_do(asked: Sequence[AdviceEvent], settings: Settings, style: Style) -> list[Block]:
    lines = points([_advice_line(event, settings, style) for event in asked])
    done = [Block("command", commands.done(event.name)) for event in asked]
    return [*lines, text("When it is done, type on the server:"), *done] if done else []


def _left_to_do(standing: Sequence[AlarmEvent], asked: Sequence[AdviceEvent], settings: Settings) -> list[Block]:
    """Return what is left at each box whose urgent harm goes on and for which nothing is asked that is not done."""
    told = {box for event in asked for box in (event.chamber, *event.boxes)}
    worst: dict[str | None, list[AlarmEvent]] = {}
    for alarm in filter(calls, standing):
        worst.setdefault(alarm.chamber, []).append(alarm)
    return points([
        f"{title_of(settings, chamber)}: {line}" for chamber, alarms in worst.items() if chamber not in told
        for line in first_steps(alarms, urgent=True)
    ])  # fmt: skip


def begun(letter: LetterEvent) -> dict[str, tuple[str, ...]]:
    """Return by chamber what its figures have left the band by and no alarm of the letter tells."""
    told = {(alarm.chamber, alarm.alarm) for alarm in of_kind(letter.about, AlarmEvent) if alarm.open}
    found = {one.chamber: tuple(name for name in one.outside if (one.chamber, name) not in told) for one in letter.present}
    return {chamber: names for chamber, names in found.items() if names}


def _begun(letter: LetterEvent, settings: Settings) -> list[str]:
    return [f"{title_of(settings, chamber)} ({' and '.join(map(label, names))})" for chamber, names in begun(letter).items()]


def _digest_opening(
    standing: list[AlarmEvent], looks: list[AlarmEvent], due: list[CareEvent], about: Sequence[News], begun: Sequence[str]
) -> str:
    if begun and not standing:
        return f"No alarm stands, but watch what has just left its band; it is an alarm when it lasts: {', '.join(begun)}."
    if not about:
        return "All is well. Nothing stands and nothing is due."
    if standing:
        return f"{_count(len(standing), 'thing')} still {'stands' if len(standing) == 1 else 'stand'}."
    if looks:
        return "Nothing is wrong that can be seen from here; of something else only a look can tell."
    if due:
        return f"The climate is as it should be. {_count(len(due), 'task')} {'is' if len(due) == 1 else 'are'} due."
    return "All is well now. This is what happened."


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def _heartbeat(settings: Settings) -> str:
    at = f"{settings.telling.digest_at:%H:%M}"
    day = "day" if settings.telling.daily_digest else (settings.telling.weekly_digest or "").capitalize()
    return (
        f"It comes every {day} at {at}, also when there is nothing to tell. If it does not come, nobody is watching:"
        " the server, its network or its mail is down. Then go and look at the chambers and at the server."
    )


def _past(alarm: AlarmEvent, settings: Settings, style: Style, now_ms: int) -> str:
    if alarm.change in ("returned", "latched", "reset"):
        return over(alarm, settings, style, now_ms)
    return f"{style.clock(alarm.at_ms, now_ms)}: {sentence(alarm, settings, style, now_ms)}"


def _advice_line(event: AdviceEvent, settings: Settings, style: Style) -> str:
    said = style.text(clean(event.headline or event.reason, 600))
    return f"{title_of(settings, event.chamber)}: {said.rstrip('.')}."


def care_line(event: CareEvent, settings: Settings, style: Style) -> str:
    """Return a task of the routine with the place that it is for."""
    place = title_of(settings, event.chamber)
    said = style.text(clean(event.text or event.task.replace("-", " "), 600))
    return said if said.lower().startswith(place.lower()) else f"{place}: {said}"


def care(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the body of a letter about care that cannot wait for the digest."""
    events = of_kind(letter.about, CareEvent)
    told = [event for event in events if event.status == "told"]
    tasks = [event for event in events if event not in told]
    lines = [care_line(event, settings, style) for event in tasks]
    done = [Block("command", commands.care_done(event)) for event in tasks if event.status != "done"]
    parts = [
        *(part for event in told for part in answer(event, style)),
        section("Do this first", steps(lines)),
        section("Also", points(_other_lines([event for event in letter.about if event not in events], style))),
        section("When it is done", [text("Type on the server:"), *done] if done else []),
    ]
    return [part for part in parts if part is not None]


_LOOK = "dewlid check"
_SYSTEM_STEPS = {
    "config-refused": (
        "Correct the config as it says below. Until then the old one goes on, and the watch with it.", f"{_LOOK} --offline",
    ),
    "correction-ignored": ("Calibrate the probe that is named below anew, or replace it.", ""),
    "outlet-down": ("Check the mail account or the broker named below. Nothing is lost: the messages wait.", _LOOK),
    "outlet-refused": ("Correct what is named below; this message is not tried again as it is.", _LOOK),
    "store-recovered": ("Look at the disk: a file that is damaged or gone is often the first sign that it fails.", _LOOK),
    "record-lost": (
        "Look at the disk of the server today: full, worn out, read-only, or its folder another user's. A memory card"
        " that fails wants to be replaced, and the newest backup put back.", _LOOK,
    ),
    "words-unheard": ("See who owns the folder named below; until then dewlid hears no answer of yours.", _LOOK),
    "backup-failed": ("Make room on the disk, or see who owns the folder named below.", _LOOK),
    "commands-off": ("Correct the key file that is named below, then reload dewlid.", _LOOK),
    "chattering": ("Put the proposal below into the config, or leave it: nothing is changed by itself.", ""),
    "law-and-safety": ("Read this once; it is what law and safety ask of you. From now on dewlid watches.", ""),
}  # fmt: skip


def system(letter: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    """Return the body of a letter about the watching itself."""
    events = of_kind(letter.about, SystemEvent)
    known = [_SYSTEM_STEPS[event.what] for event in events if event.what in _SYSTEM_STEPS]
    to_do = list(dict.fromkeys(line for line, _ in known)) or ["Nothing; this is for your information."]
    tries = list(dict.fromkeys(line for _, line in known if line))
    notes = [event.text for event in events if event.what == "law-and-safety"]
    told = [line for event in events if event.text not in notes for line in event.text.splitlines()]
    alarms = of_kind(letter.about, AlarmEvent)
    parts = [
        section("Do this first", steps(to_do)),
        section("What is happening", [text(style.text(clean(line, 1500))) for line in told]),
        section("What comes next", [text(_patience(settings)), *command(_SEE_NOW, "dewlid watch")] if notes else []),
        section("Safety and law", points([clean(line, 1500) for line in notes])),
        section("Meanwhile", points([sentence(alarm, settings, style, letter.at_ms) for alarm in alarms])),
        section("To see whether it is repaired", _to_type(tries)),
        section("The digest", [text(_heartbeat(settings))] if notes else []),
    ]
    return [part for part in parts if part is not None]


def _patience(settings: Settings) -> str:
    """Say how long the keeper waits for the first advice, so that silence is not taken for a fault."""
    longest_ms = max((max(one.temperature.on_delay, one.humidity.on_delay) for one in settings.chambers.values()), default=0)
    lasting = f"it has lasted for {span(longest_ms / 1000)}" if longest_ms else "it is seen"
    return (
        f"When something is outside its band `dewlid watch` shows it with advice as soon as {lasting}. What does harm, or soon"
        " will, comes by letter at once; what can wait comes in the morning or with the digest."
    )


def _to_type(lines: Sequence[str]) -> list[Block]:
    return [text("Type on the server:"), *(Block("command", line) for line in lines)] if lines else []

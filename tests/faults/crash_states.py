"""Opens what a power cut may leave of a disk, state after state, and says what was broken: `make crash-states N=5000`.

The lives of `disk_story.py` are lived once, their system calls recorded. From them states are built (`disk_calls.py`): where so
many are wanted first every prefix, then instants by chance with what was not synced lost, reordered or torn. On each, the
watching starts, goes on for a while, ends and starts again. Held against it: what was told is known, unless the keeper is told
that memory was lost; what is owed is told in the end; each event is what it was; a word that was taken is not lost.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import disk_story
import structlog
from disk_calls import Disk, Op, Said, recorded
from disk_story import BEGIN_MS, HandTurned, Life, setting
from disk_story import recorded as recorded_events

from daemon.delivery.owed import owed_by
from daemon.store import migrations
from daemon.store.examination import examine
from rules.terms.events import event_of

ROOT = Path(__file__).parents[2]
STYLES = ("nothing", "all", "beginning", "any", "torn")
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
"""A disk in memory, where there is one: the states are many, and a sync of them shows nothing."""
LATER_MS = BEGIN_MS + 6 * 3_600_000


@dataclass(frozen=True, slots=True)
class Before:
    """What had been said when the power was cut."""

    told: frozenset[str]
    """`OUTLET EVENT` of what nothing excuses to forget."""
    forgotten: frozenset[str]
    """The same of what may be forgotten if the keeper is told so."""
    words: frozenset[str]
    damaged: bool
    restoring: bool


@dataclass(frozen=True, slots=True)
class Story:
    """The recorded lives: in which folder, what was done, and all events that any store ever held."""

    folder: Path
    ops: Sequence[Op]
    events: dict[str, str]

    @staticmethod
    def live(place: Path, *pragma: str) -> Story:
        """Live and record it in an empty folder."""
        folder = place / "disk"
        folder.mkdir()
        command = [sys.executable, str(ROOT / "tests/faults/disk_story.py"), str(folder), str(place / "events.json"), *pragma]
        ops = recorded(command, place / "trace", folder, ROOT)
        (place / "trace").unlink()
        return Story(folder, ops, json.loads((place / "events.json").read_text()))

    def before(self, instant: int) -> Before:
        """Return what was said before an instant."""
        lines = [op.line for op in self.ops[:instant] if isinstance(op, Said)]
        excuses = [number for number, line in enumerate(lines) if line in ("damaged", "restoring")]
        border = excuses[-1] if excuses else 0
        forgotten, told = _after("told ", lines[:border]), _after("told ", lines)
        return Before(told - forgotten, forgotten, _after("left ", lines[border:]), "damaged" in lines, "restoring" in lines)

    def cases(self, count: int, chance: random.Random) -> list[tuple[int, str]]:
        """Return instants and how the cut is made there, in order of time."""
        instants = [number + 1 for number, op in enumerate(self.ops) if not isinstance(op, Said)]
        every = [(instant, "all") for instant in instants]
        found = every if count > len(every) else []
        found += [(chance.choice(instants), chance.choice(STYLES)) for _ in range(count - len(found))]
        return sorted(found)

    def states(self, count: int, chance: random.Random) -> Iterator[tuple[int, str, Disk]]:
        """Build the states, one after the other."""
        disk, done = Disk(), 0
        for instant, style in self.cases(count, chance):
            for op in self.ops[done:instant]:
                disk.do(op)
            done = instant
            yield instant, style, disk.cut(chance, style)


def _after(begin: str, lines: Sequence[str]) -> frozenset[str]:
    return frozenset(line.removeprefix(begin) for line in lines if line.startswith(begin))


def violations(story: Story, instant: int, state: Disk, folder: Path) -> list[str]:
    """Lay a state into an empty folder, live on it, and return what was broken."""
    folder.mkdir()
    state.lay(story.folder, folder)
    before, said = story.before(instant), list[str]()
    disk_story.say = said.append
    lives: list[Life] = []

    def begun(at_ms: int) -> Life:
        lives.append(Life(folder, HandTurned(at_ms), migrations.STEPS, True))
        return lives[-1]

    try:
        life = begun(LATER_MS)
        recovery, known = life.history.recovery is not None, recorded_events(life.store)
        found = ["the state cannot be read"] if life.begin.memory_lost else []
        found += [*_of_memory(story, before, known, recovery), *_of_words(life, before)]
        life.turns(1, 25.5)
        life.tell_all()
        life.end()
        found += _of_debts(before, said, recorded_events(life.store), recovery)
        again = begun(LATER_MS + 120_000)
        found += ["it is recovered again and again"] if again.history.recovery else []
        found += [] if known.keys() <= recorded_events(again.store).keys() else ["it forgot when it was started again"]
        again.end()
        damage = examine(life.store, lambda: True)
        return [*found, *([f"the store is damaged: {damage}"] if damage else [])]
    except Exception:
        return [traceback.format_exc()]
    finally:
        for life in lives:
            life.drop()


def _of_memory(story: Story, before: Before, known: dict[str, str], recovery: bool) -> Iterator[str]:
    excused = recovery or any('"store-recovered"' in body for body in known.values())
    must = before.told if excused or before.restoring else before.told | before.forgotten
    for line in sorted(must):
        if line.partition(" ")[2] not in known:
            yield f"told and unknown: {line}"
    for event, body in known.items():
        if story.events.get(event) != body:
            yield f"another event under this id, or one of nowhere: {event}"
    if recovery and not before.damaged:
        yield "recovered though nothing was damaged"


def _of_words(life: Life, before: Before) -> Iterator[str]:
    waiting, refused = life.spool.waiting(LATER_MS)
    yield from (f"a word was torn: {each.reason}" for each in refused)
    here = {each.word.word_id for each in waiting}
    here |= {json.loads(row[0])["word_id"] for row in life.history._db().execute("SELECT body FROM item WHERE sort = 'word'")}
    yield from (f"a word was lost: {word}" for word in sorted(before.words - here))


def _of_debts(before: Before, said: list[str], known: dict[str, str], recovery: bool) -> Iterator[str]:
    told = before.told | before.forgotten | {line.removeprefix("told ") for line in said}
    if recovery and not any("store-recovered" in line for line in said):
        yield "memory was lost and nobody told"
    for event, body in known.items():
        if event.startswith("outlet"):
            continue  # not told by the outlet that it is about
        for owed in owed_by([event_of(json.loads(body))], setting().outlets, setting().settings):
            if not owed.retained and f"{owed.outlet} {event}" not in told:
                yield f"a debt was lost: {owed.outlet} {event}"


def tried(story: Story, place: Path, count: int, seed: int) -> tuple[Counter[str], dict[str, list[str]]]:
    """Open so many states of a story; return how many there were of each style, and what was broken in which."""
    chance, opened, broken = random.Random(seed), Counter[str](), {}
    for instant, style, state in story.states(count, chance):
        found = violations(story, instant, state, place / "state")
        opened[style] += 1
        if found:
            broken[f"{instant} {style}"] = found
        shutil.rmtree(place / "state")
    return opened, broken


def main() -> None:
    """Try states and print what was found."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--states", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=None)
    args = parser.parse_args()
    seed = random.SystemRandom().randrange(10**6) if args.seed is None else args.seed
    structlog.configure(logger_factory=lambda *_: structlog.PrintLogger(sys.stderr))
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        opened, broken = tried(Story.live(Path(name)), Path(name), args.states, seed)
    print(f"seed {seed}: {opened.total()} states built and opened ({', '.join(f'{n} {style}' for style, n in opened.items())})")
    for case, found in broken.items():
        print(f"after call {case}:", *found, sep="\n  ")
    print(f"{len(broken)} states broke a promise")
    sys.exit(1 if broken else 0)


if __name__ == "__main__":
    main()

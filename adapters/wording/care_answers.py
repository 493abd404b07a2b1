"""What care has to say besides what is due: the answer to a sight, the stand-in's checklist, what to do before leaving."""

from __future__ import annotations

from adapters.wording.figures import Style, clean
from adapters.wording.sections import Block, Section, section
from rules.terms.events import CareEvent

TITLES = {
    "observation": "What you saw",
    "leaves": "About the leaves",
    "garden": "How the garden grows",
    "away": "Your checklist",
    "away-before": "Before you leave",
    "away-after": "While you were away",
}
_LONGEST_LINE = 1_000
_MOST_LINES = 120


def answer(event: CareEvent, style: Style) -> list[Section]:
    """Return the sections of one answer: a paragraph of the rules' text each, lists as lists, `First` in its own line."""
    title = TITLES.get(event.task, "About care")
    text = event.text.replace(" First: ", "\n\nFirst: ").replace(" Why: ", "\n\nWhy: ")
    parts: list[Section | None] = []
    for paragraph in text.split("\n\n"):
        blocks = [_block(line, style) for line in paragraph.split("\n")[:_MOST_LINES]]
        head = "" if parts else title
        if len(blocks) > 1 and blocks[0].sort == "text" and blocks[0].text.endswith(":"):
            head, blocks = blocks[0].text.removesuffix(":"), blocks[1:]
        parts.append(section(head, blocks))
    return [part for part in parts if part is not None]


def _block(line: str, style: Style) -> Block:
    said = style.text(clean(line.removeprefix("- "), _LONGEST_LINE))
    return Block("point" if line.startswith("- ") else "text", said)

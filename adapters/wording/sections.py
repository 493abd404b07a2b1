"""A letter's body as sections of blocks, and its two looks: plain text that any phone shows well, and
simple HTML.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

WIDTH = 72


@dataclass(frozen=True, slots=True)
class Block:
    """One paragraph, numbered step, point of a list, or command to type."""

    sort: Literal["text", "step", "point", "command"]
    text: str


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it; an empty title: no heading."""

    title: str
    blocks: tuple[Block, ...]


def text(line: str) -> Block:
    """A paragraph."""
    return Block("text", line)


def points(lines: Sequence[str]) -> list[Block]:
    """Points of a list."""
    return [Block("point", line) for line in lines]


def steps(lines: Sequence[str]) -> list[Block]:
    """Steps in their order; a single one is a plain paragraph."""
    return [Block("step", line) for line in lines] if len(lines) > 1 else [text(line) for line in lines]


def command(what_for: str, line: str) -> list[Block]:
    """A command with what it is for."""
    return [text(what_for), Block("command", line)]


def section(title: str, blocks: Sequence[Block | None]) -> Section | None:
    """A section, or None when there is nothing to say."""
    kept = tuple(block for block in blocks if block is not None and block.text)
    return Section(title, kept) if kept else None


def as_text(sections: Sequence[Section]) -> str:
    """Return the plain text: headings in capitals, lines of at most 72 characters."""
    return "\n\n".join(_section_text(each) for each in sections) + "\n"


_UNIT = re.compile(r"(?<=\d) (?=[°%])|(?<=±) (?=\d)|(?<=%) (?=humidity)")
"""Where a line must not break: between a number and its unit."""


def _filled(line: str, mark: str) -> str:
    held = _UNIT.sub("\u00a0", line)
    filled = textwrap.fill(
        held, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark), break_long_words=False, break_on_hyphens=False
    )
    return filled.replace("\u00a0", " ")


def _section_text(part: Section) -> str:
    lines = [part.title.upper()] if part.title else []
    number = 0
    for block in part.blocks:
        if block.sort == "command":
            lines.append(f"    {block.text}")
            continue
        number += block.sort == "step"
        mark = {"step": f"{number}. ", "point": "- ", "text": ""}[block.sort]
        lines.append(_filled(block.text, mark))
    return "\n".join(lines)


def as_html(title: str, sections: Sequence[Section], after_first: str = "") -> str:
    """Return the same as a small HTML page: no link, script or style sheet from elsewhere.

    `after_first`: an element of our own, such as a picture that the letter carries, put after the first section.
    """
    from html import escape  # only where a letter is written as HTML: a table of all its characters' names comes with it

    parts = [_section_html(each, escape) for each in sections]
    body = "\n".join([*parts[:1], *([after_first] if after_first else []), *parts[1:]])
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">'
        f"<title>{escape(title)}</title></head>\n"
        '<body style="font-family: sans-serif; line-height: 1.4; max-width: 40em">\n'
        f"{body}\n</body>\n</html>\n"
    )


def _section_html(part: Section, escape: Callable[[str], str]) -> str:
    lines = [f"<h2>{escape(part.title)}</h2>"] if part.title else []
    open_list = ""
    for block in part.blocks:
        wanted = {"step": "ol", "point": "ul"}.get(block.sort, "")
        if wanted != open_list:
            lines += ([f"</{open_list}>"] if open_list else []) + ([f"<{wanted}>"] if wanted else [])
            open_list = wanted
        tag = {"text": "p", "command": "pre"}.get(block.sort, "li")
        lines.append(f"<{tag}>{escape(block.text)}</{tag}>")
    if open_list:
        lines.append(f"</{open_list}>")
    return "\n".join(lines)

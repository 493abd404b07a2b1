"""The digest's chart for a mail, which shows no SVG: the report's own pictures, one below the other, as PNG.

Only the process that draws imports this, and with it the renderer. A font comes with the program: a server has often none.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

import resvg_py

from adapters.outlets.illustration import WIDTH_PX
from daemon.report import svg
from daemon.report.chamber_chart import picture
from daemon.report.happenings import lanes
from daemon.report.looks import LIGHT, chart_style
from daemon.report.record import Record, expected
from daemon.report.verdict import style_of

_FONT = "Source Sans Pro"
_FONT_FILES = ("SourceSansPro-Regular.ttf", "SourceSansPro-Semibold.ttf")
_MARGIN, _TITLE, _APART = 10.0, 26.0, 14.0


def drawn(record: Record, names: Sequence[str]) -> bytes:
    """Return the pictures of these chambers as PNG."""
    return png_of(whole(record, names))


def png_of(picture_: str, *, skip_system_fonts: bool = False) -> bytes:
    """Return a picture as PNG, twice as fine as it is shown; the server's own fonts serve letters that ours has not."""
    fonts = files("font_source_sans_pro") / "files"
    return resvg_py.svg_to_bytes(
        svg_string=picture_, zoom=2, skip_system_fonts=skip_system_fonts, font_family=_FONT, sans_serif_family=_FONT,
        font_files=[str(fonts / name) for name in _FONT_FILES],
    )  # fmt: skip


def whole(record: Record, names: Sequence[str]) -> str:
    """Return the pictures of these chambers in one SVG that needs nothing around it."""
    y, parts = _MARGIN, []
    for name in names:
        title = record.settings.chambers[name].title or name
        parts.append(svg.text(_MARGIN, y + 14, title, "title"))
        y += _TITLE
        drawing = picture(
            record.settings, name, record.curves[name], lanes(record, name), record.since_ms, record.until_ms,
            style_of(record.settings), WIDTH_PX - 2 * _MARGIN, expected(record, name),
        )  # fmt: skip
        parts.append(svg.group(_MARGIN, y, drawing.parts))
        y += drawing.y + _APART
    ground = svg.box(0, 0, WIDTH_PX, y, "sheet")
    return svg.whole(WIDTH_PX, y, f"<style>{chart_style(LIGHT)}</style>{ground}{''.join(parts)}")

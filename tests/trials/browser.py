"""A real Chromium, headless: what a page says on its console, what sticks out of it or lies on other words, how many sheets."""

from __future__ import annotations

import json
import re
import subprocess
from html import unescape
from pathlib import Path

# What sticks out of the page to the right, scrolling tables left out; every <details> is opened first.
_MEASURE = """
<!DOCTYPE html><meta charset="utf-8"><body style="margin:0"><iframe id="f" src="%s"
 style="width:%dpx;height:20000px;border:0"></iframe><pre id="told"></pre><script>
document.getElementById('f').onload = () => {
  const page = document.getElementById('f').contentDocument, wide = %d
  page.querySelectorAll('details').forEach(one => { one.open = true })
  const out = [...page.body.querySelectorAll('*')].filter(one => !one.closest('.scroll') && one.getClientRects().length
    && one.getBoundingClientRect().right > wide + 0.5).map(one => one.tagName + '.' + one.getAttribute('class'))
  const words = [...page.querySelectorAll('svg text')].filter(one => one.getClientRects().length)
  const boxes = words.map(one => ({ in: one.closest('svg'), says: one.textContent, box: one.getBoundingClientRect() }))
  const over = boxes.flatMap((one, place) => boxes.slice(place + 1).filter(other => other.in === one.in
    && Math.min(one.box.right, other.box.right) - Math.max(one.box.left, other.box.left) > 1
    && Math.min(one.box.bottom, other.box.bottom) - Math.max(one.box.top, other.box.top) > 4)
    .map(other => one.says + ' / ' + other.says))
  const small = words.filter(one => one.getBoundingClientRect().height < 9).length
  document.getElementById('told').textContent = JSON.stringify(
    { thin: [...page.querySelectorAll('td')].filter(one => one.textContent.length > 4 && one.clientWidth < 30).length,
      scroll: page.documentElement.scrollWidth, out, over, words: words.length, small, title: page.title })
}
</script>
"""


class Browser:
    """Starts a Chromium with a fresh profile for each question."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._count = 0

    def _run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        self._count += 1
        profile = self._folder / f"profile-{self._count}"
        fixed = [
            "/usr/bin/chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
            f"--user-data-dir={profile}",
        ]  # fmt: skip
        return subprocess.run([*fixed, *arguments], capture_output=True, text=True, timeout=120, check=True)

    def measured(self, page: Path, width: int) -> dict[str, object]:
        """Return what the page is like at a width; raises if the page said anything on the console."""
        frame = self._folder / f"frame-{width}.html"
        frame.write_text(_MEASURE % (page.as_uri(), width, width))
        ran = self._run("--allow-file-access-from-files", "--window-size=1400,1000", "--dump-dom", frame.as_uri())
        console = [line for line in ran.stderr.splitlines() if "CONSOLE" in line]
        assert console == []
        told = re.search(r'<pre id="told">(.*?)</pre>', ran.stdout, re.DOTALL)
        assert told is not None
        found: dict[str, object] = json.loads(unescape(told[1]))
        return found

    def sheets(self, page: Path) -> int:
        """Return how many A4 sheets the page prints on."""
        pdf = self._folder / "print.pdf"
        self._run(f"--print-to-pdf={pdf}", "--no-pdf-header-footer", page.as_uri())
        body = pdf.read_bytes()
        boxes = {tuple(round(float(v)) for v in m.split()) for m in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", body)}
        assert boxes == {(0, 0, 595, 842)}  # A4 in points, ISO 216
        return len(re.findall(rb"/Type\s*/Page[^s]", body))

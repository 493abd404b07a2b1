"""How our pages look: quiet colours of leaf, clay and water, in light, in dark and on paper; states by shape and word too."""

import re

LIGHT = {
    "ground": "#f3f5f1", "sheet": "#fff", "ink": "#1b241f", "quiet": "#54625a", "edge": "#d3dbd4", "grid": "#e3e8e3",
    "well": "#2c6e49", "look": "#8a5a00", "act": "#a3261c", "unseen": "#56507a",
    "well-bg": "#e7f2ea", "look-bg": "#fbf0d9", "act-bg": "#fbe4e0", "unseen-bg": "#ebe9f5",
    "temperature": "#b0482a", "humidity": "#0f7076", "dew": "#1f5fb0", "lid": "#7b5316",
    "band": "#2c6e4921", "wet": "#1f5fb066", "damp": "#1f5fb022", "advice": "#2c6e49",
}  # fmt: skip
DARK = {
    "ground": "#121714", "sheet": "#1b221e", "ink": "#e5ece7", "quiet": "#a3b2a9", "edge": "#37433c", "grid": "#2a342e",
    "well": "#7fcf9d", "look": "#efc067", "act": "#ff9a8c", "unseen": "#b9b1ea",
    "well-bg": "#183025", "look-bg": "#352b14", "act-bg": "#3d1e1a", "unseen-bg": "#29263d",
    "temperature": "#f2936f", "humidity": "#5cc4c9", "dew": "#82b4ff", "lid": "#dcae68",
    "band": "#7fcf9d24", "wet": "#82b4ff66", "damp": "#82b4ff26", "advice": "#7fcf9d",
}  # fmt: skip
PAPER = LIGHT | {"ground": "#fff", "ink": "#000", "quiet": "#444", "edge": "#aaa", "grid": "#ddd"} | {
    f"{grade}-bg": "#fff" for grade in ("well", "look", "act", "unseen")
}

CHART = """svg text{font:12px system-ui,sans-serif;fill:var(--ink)}
svg .panel{font-weight:600;font-size:13px}svg .key,svg .tick{fill:var(--quiet);font-size:11.5px}svg .lane{font-size:11.5px}
svg .title{font-weight:600;font-size:15px}svg .sheet{fill:var(--sheet)}
svg .grid{stroke:var(--grid);fill:none}svg .band{fill:var(--band)}svg .wet{fill:var(--wet)}svg .damp{fill:var(--damp)}
svg .harm{stroke:var(--act);stroke-dasharray:3 4;fill:none}svg .harmword{fill:var(--act);font-size:10.5px}
svg path.temperature,svg path.humidity,svg path.dew,svg path.lid,svg path.room{fill:none;stroke-width:1.5;
stroke-linejoin:round}
svg path.temperature{stroke:var(--temperature)}svg path.humidity{stroke:var(--humidity)}
svg path.dew{stroke:var(--dew);stroke-dasharray:5 2.5}svg path.lid{stroke:var(--lid);stroke-width:1.9}
svg path.room{stroke:var(--quiet);stroke-width:1}
svg .name{font-size:11.5px;font-weight:600;paint-order:stroke;stroke:var(--sheet);stroke-width:3px}
svg text.temperature{fill:var(--temperature)}svg text.dew{fill:var(--dew)}svg text.lid{fill:var(--lid)}
svg text.room{fill:var(--quiet)}
svg path.ahead{stroke-dasharray:3 3}svg .now{stroke:var(--quiet);stroke-width:.7;fill:none}
svg path.area{stroke:none;opacity:.2}svg path.area.temperature{fill:var(--temperature)}
svg path.area.humidity{fill:var(--humidity)}
svg .alarm{fill:var(--look)}svg .harmful{fill:var(--act)}svg .advice{fill:var(--advice)}svg .done{fill:var(--quiet)}
"""
"""How pictures look; the words, so that it is readable at any width, are never smaller than 10.5 px."""

_PAGE = """*{box-sizing:border-box}
body{margin:0;background:var(--ground);color:var(--ink);font:16px/1.45 system-ui,sans-serif;overflow-wrap:anywhere}
main{max-width:800px;margin:0 auto;padding:12px 8px 40px}
h1{font-size:1.55rem;line-height:1.25;margin:.2rem 0 .3rem}h2{font-size:1.2rem;margin:0 0 .6rem}
h3{font-size:1rem;margin:1.1rem 0 .35rem}p{margin:.3rem 0}
.small{color:var(--quiet);font-size:.87rem}
.sheet{background:var(--sheet);border:1px solid var(--edge);border-radius:10px;padding:14px 12px;margin:12px 0}
.cards{display:grid;gap:10px;grid-template-columns:repeat(auto-fit,minmax(min(100%,310px),1fr));align-items:start;
margin:12px 0}
.card{background:var(--sheet);border:1px solid var(--edge);border-left:8px solid var(--mark);border-radius:10px;
padding:10px 12px}
.columns{max-width:1200px}.group h2{margin:1.1rem 0 .4rem}
.lines{list-style:none;margin:8px 0;padding:0;background:var(--sheet);border:1px solid var(--edge);border-radius:10px}
.line{padding:.35rem .7rem;margin:0;border-top:1px solid var(--grid);font-size:.93rem}.line:first-child{border-top:0}
.act{--mark:var(--act);--back:var(--act-bg)}.look{--mark:var(--look);--back:var(--look-bg)}
.well{--mark:var(--well);--back:var(--well-bg)}.unseen{--mark:var(--unseen);--back:var(--unseen-bg)}
.flag{display:inline-flex;align-items:center;gap:.4em;font-weight:650;color:var(--mark);background:var(--back);
border-radius:6px;padding:.1em .55em;font-size:.92rem}
.flag svg{width:1em;height:1em;fill:currentColor}
.headline{font-weight:650;margin:.45rem 0 .15rem}
.do{margin:.55rem 0 0;padding:.5rem .65rem;background:var(--back);border-radius:7px}
.do ol,.do ul{margin:.15rem 0 0;padding-left:1.3em}.do b{display:block}
code{font:.87em ui-monospace,monospace;background:var(--ground);border-radius:4px;padding:.05em .3em;display:inline-block}
ul.plain{margin:.3rem 0;padding-left:1.1em}li{margin:.15rem 0}
.scroll{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-size:.88rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--quiet);padding:.2rem 0}
th,td{text-align:left;padding:.28rem .45rem .28rem 0;border-bottom:1px solid var(--grid);vertical-align:top;
overflow-wrap:break-word}caption{overflow-wrap:break-word}td:first-child{min-width:5.4em}
th{font-weight:600}td.n,th.n{text-align:right;white-space:nowrap}
summary{cursor:pointer;padding:.35rem 0;color:var(--quiet)}
a{color:inherit}
svg{display:block;max-width:100%;height:auto}
figure{margin:.4rem 0}
.narrow{display:none}
.card svg[role]{margin:.4rem 0 .1rem}
.bar{display:flex;height:14px;border-radius:4px;overflow:hidden;background:var(--grid);margin:.2rem 0 .1rem}
.bar i{display:block;height:100%}.bar .in{background:var(--well)}.bar .lo{background:var(--dew)}
.bar .hi{background:var(--temperature)}
.shares{display:grid;gap:4px 16px;grid-template-columns:repeat(auto-fit,minmax(min(100%,220px),1fr))}
@media (max-width:700px){.wide{display:none}.narrow{display:block}.sheet{padding:12px 7px}body{font-size:15.5px}}
"""
_PRINT = """@page{size:A4;margin:13mm}
body{font-size:9.5pt;line-height:1.35}th,td{padding:.1rem .4rem .1rem 0}summary{padding:.1rem 0}
figure svg{max-width:88%}details{break-inside:avoid}
main{max-width:none;padding:0}.wide{display:block}.narrow{display:none}
.sheet{border:0;padding:0;margin:10pt 0}figure,.card,.line,tr,.keep{break-inside:avoid}h2,h3{break-after:avoid}
.chamber{break-before:page}details:not(.paper){display:none}
details.paper::details-content{content-visibility:visible;display:block;block-size:auto}nav{display:none}
.many .chamber{break-before:auto;break-inside:avoid;display:inline-block;width:49%;vertical-align:top;margin:5pt 0}
.many .chamber.brief{width:32.5%}.many .wide,.many .chamber .scroll,.many .chamber details,.many .chamber .shares+h3,
.many .brief figure,.many tr.ok{display:none!important}.many .narrow{display:block}.many .shares{grid-template-columns:1fr}
.many .chamber h3,.many .brief p{display:none}.many{font-size:8.5pt;line-height:1.25}.many .chamber figure svg{max-width:82%}
.many .brief{margin:2pt 0}.many .brief .bar{height:7px;margin:1pt 0}.many li{margin:0}.many h2{margin:2pt 0}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}
"""


def _declared(colours: dict[str, str]) -> str:
    return ";".join(f"--{name}:{colour}" for name, colour in colours.items())


STYLE = (
    f"\n:root{{color-scheme:light dark;{_declared(LIGHT)}}}\n"
    f"@media (prefers-color-scheme:dark){{:root{{{_declared(DARK)}}}}}\n{_PAGE}{CHART}"
    f"@media print{{:root{{color-scheme:light;{_declared(PAPER)}}}{_PRINT}}}\n"
)


def chart_style(colours: dict[str, str]) -> str:
    """Return how pictures look where nothing stands around them that names the colours."""
    return re.sub(r"var\(--([\w-]+)\)", lambda found: colours[found[1]], CHART)


SHAPES = {
    "well": '<circle cx="8" cy="8" r="7"/><path d="M4.5 8.3l2.4 2.4 4.6-5" stroke="var(--back)" stroke-width="2" fill="none"/>',
    "look": '<path d="M8 1l7.5 14H.5z"/>',
    "act": '<path d="M5 1h6l4 4v6l-4 4H5l-4-4V5z"/>',
    "unseen": '<circle cx="8" cy="8" r="5.7" fill="none" stroke="currentColor" stroke-width="2.5"/>',
}
"""A shape for each state, so that colour is never needed to tell them apart."""


def flag(grade: str, word: str) -> str:
    """Return a state as shape and word."""
    return f'<span class="flag"><svg viewBox="0 0 16 16" aria-hidden="true">{SHAPES[grade]}</svg>{word}</span>'


def document(title: str, body: str, head: str = "", *, kind: str = "") -> str:
    """Return a page that needs nothing from elsewhere: no script, no font, no network; `kind`: `columns` for as wide as cards
    fit, `many` for many chambers, of which paper has less."""
    main = f'<main class="{kind}">' if kind else "<main>"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none';style-src 'unsafe-inline';img-src data:\">"
        f'<link rel="icon" href="data:,">{head}<title>{title}</title><style>{STYLE}</style></head>\n<body>{main}\n{body}\n'
        "</main></body></html>\n"
    )

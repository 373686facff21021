"""How the board looks: parts as the tags that a workshop ties to its pieces, one shape, word and colour per outcome.

Sizes follow reading distance: text that has to be read from three metres is at least 4rem, which on a screen 1,920
pixels and 0.53 m wide is a cap height of some 14 mm, 16 minutes of arc (ISO 9241-303 asks for 16 at least; figure
from memory). Colours are variables, so that a test can compute every contrast from this text.
"""

from __future__ import annotations

from collections.abc import Mapping

LIGHT: Mapping[str, str] = {
    "ground": "#e4dfd2",
    "sheet": "#fbf9f3",
    "ink": "#1a222c",
    "soft": "#454e5a",
    "line": "#7d7768",
    "accept-fill": "#d5ecda",
    "accept-ink": "#0c4a25",
    "hold-fill": "#f7ab0c",
    "hold-ink": "#2a1c00",
    "reject-fill": "#8e1c12",
    "reject-ink": "#ffffff",
    "void-fill": "#d3d0c8",
    "void-ink": "#3a3f46",
    "trouble-fill": "#33205e",
    "trouble-ink": "#ffffff",
    "focus": "#0a4fb3",
}
DARK: Mapping[str, str] = {
    "ground": "#10151b",
    "sheet": "#1b232d",
    "ink": "#eef2f6",
    "soft": "#b4bec9",
    "line": "#76828f",
    "accept-fill": "#12402a",
    "accept-ink": "#b6f0c9",
    "hold-fill": "#e5a823",
    "hold-ink": "#1c1200",
    "reject-fill": "#b42d1b",
    "reject-ink": "#ffffff",
    "void-fill": "#39414b",
    "void-ink": "#e0e5ea",
    "trouble-fill": "#d9ccff",
    "trouble-ink": "#1c0f3d",
    "focus": "#8fc1ff",
}

TEXT_ON: tuple[tuple[str, str], ...] = (
    ("ink", "ground"),
    ("soft", "ground"),
    ("ink", "sheet"),
    ("soft", "sheet"),
    ("accept-ink", "accept-fill"),
    ("hold-ink", "hold-fill"),
    ("reject-ink", "reject-fill"),
    ("void-ink", "void-fill"),
    ("trouble-ink", "trouble-fill"),
)
"""Every pair of text and ground that the board uses."""
SEEN_ON: tuple[tuple[str, str], ...] = (("line", "sheet"), ("line", "ground"), ("focus", "sheet"), ("focus", "ground"))
"""Lines and focus rings, which need less contrast than text."""

_RULES = """
*{box-sizing:border-box}
html{font-size:calc(8px + .5208vw);background:var(--ground);color:var(--ink);color-scheme:light dark}
body{margin:0;padding:1rem 1.4rem;font:1rem/1.3 Bahnschrift,"DIN Alternate","Roboto Condensed","Liberation Sans Narrow",
"Arial Narrow","DejaVu Sans Condensed",Arial,sans-serif;font-variant-numeric:tabular-nums}
h1,h2,h3,p,ol,ul,table,dl,dd{margin:0;padding:0}
ol,ul{list-style:none}
bdi{overflow-wrap:anywhere}
a{color:inherit;text-underline-offset:.15em}
:focus-visible{outline:.2rem solid var(--focus);outline-offset:.15rem}
.readers{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}
header{display:flex;flex-wrap:wrap;gap:.3rem 1.6rem;align-items:baseline;margin-bottom:.7rem;padding-right:11rem}
h1{font-size:1.7rem}
header p{font-size:1.2rem;color:var(--soft)}
#pause{position:absolute;top:1rem;right:1.4rem;font:inherit;color:var(--ink);background:var(--sheet);
border:.1rem solid var(--line);border-radius:.3rem;padding:.3rem .8rem;cursor:pointer}
#pause[hidden]{display:none}
h2{font-size:1.4rem;color:var(--soft);margin-bottom:.45rem}
.columns{display:grid;grid-template-columns:minmax(0,1.95fr) minmax(0,1fr);gap:1.6rem;align-items:start}
.columns section+section{margin-top:1.3rem}
.alarm{background:var(--trouble-fill);color:var(--trouble-ink);padding:.7rem 1.2rem;margin-bottom:1rem;
border-left:.9rem double currentColor}
.alarm h2{color:inherit;margin-bottom:.2rem}
.alarm p,.alarm li{font-size:1.7rem;line-height:1.2}
.alarm[hidden]{display:none}
.tag{display:grid;grid-template-columns:auto minmax(0,1fr);column-gap:1.3rem;align-items:center;
padding:.55rem 1.2rem .55rem 3.6rem;margin-bottom:.55rem;
clip-path:polygon(0 50%,1.7rem 0,100% 0,100% 100%,1.7rem 100%)}
.tag{color:var(--on);
background:radial-gradient(circle at 2.1rem 50%,var(--ground) .52rem,transparent .56rem) var(--fill)}
.accept{--fill:var(--accept-fill);--on:var(--accept-ink)}
.hold{--fill:var(--hold-fill);--on:var(--hold-ink)}
.reject{--fill:var(--reject-fill);--on:var(--reject-ink)}
.void{--fill:var(--void-fill);--on:var(--void-ink)}
.outcome{display:flex;align-items:center;gap:.9rem;font-size:4rem;line-height:1;font-weight:700;min-width:21rem}
.outcome svg{width:1em;height:1em;flex:none}
.who{display:flex;flex-wrap:wrap;align-items:baseline;column-gap:1.4rem;min-width:0}
.serial{font-size:4rem;line-height:1.05;font-weight:600}
.serial.long{font-size:2rem}
.serial.longest{font-size:1.1rem;line-height:1.2}
.part{font-size:1.7rem}
.when{font-size:1.3rem;margin-left:auto}
.note{font-size:1.25rem;line-height:1.2;grid-column:2}
.newest{padding-top:1.1rem;padding-bottom:1.1rem}
.newest .outcome{font-size:5.4rem;min-width:28rem}
.newest .serial{font-size:5.4rem}
.newest .serial.long{font-size:3rem}
.newest .serial.longest{font-size:1.4rem}
.newest .part{font-size:2.4rem}
.newest .note{font-size:1.9rem;margin-top:.3rem;grid-column:1/-1}
.note.due{font-weight:700}
.earlier{background:var(--sheet);padding:.6rem 1rem}
.card{background:var(--sheet);border-left:.8rem solid var(--hold-fill);padding:.7rem 1rem;margin-bottom:.7rem}
.card h3{font-size:1.75rem;line-height:1.15}
.card p{font-size:1.25rem}
.card .do{font-size:1.6rem;line-height:1.2;font-weight:700;margin:.25rem 0}
.card img{display:block;width:100%;height:auto;max-height:19rem;object-fit:contain;background:#fff;margin-top:.4rem}
.shape{fill:currentColor}
.shape .in{fill:none;stroke:var(--fill,var(--ground));stroke-width:3.2}
.soft{color:var(--soft)}
.counts{display:grid;grid-template-columns:repeat(5,auto);gap:.5rem;justify-content:space-between}
.counts div{display:flex;flex-direction:column-reverse}
.counts dt{font-size:1.15rem;display:flex;gap:.35rem;align-items:center}
.counts dt svg{width:1.1em;height:1.1em}
.queue{font-size:2rem;font-weight:700;line-height:1.2;margin-bottom:.3rem}
.counts dd{font-size:3rem;line-height:1;font-weight:700}
table{border-collapse:collapse;width:100%;background:var(--sheet);margin-bottom:.8rem;font-size:1.15rem}
caption{text-align:left;font-weight:700;font-size:1.25rem;padding:.35rem 0}
th,td{text-align:left;padding:.28rem .6rem;border-bottom:1px solid var(--line);vertical-align:top}
td svg{width:1.2em;height:1.2em;vertical-align:-.25em}
thead th{color:var(--soft);font-weight:600}
tbody th{font-weight:600}
td.number,th.number{text-align:right}
footer{margin-top:1.4rem;font-size:1rem;color:var(--soft);border-top:1px solid var(--line);padding-top:.6rem}
@media (max-width:1100px){.columns{grid-template-columns:minmax(0,1fr)}}
@media (max-width:760px){html{font-size:13px}body{padding:.7rem}.scroll{overflow-x:auto}
.tag{grid-template-columns:minmax(0,1fr)}.note{grid-column:1}.outcome,.newest .outcome{font-size:2.8rem;min-width:0}
.serial,.newest .serial{font-size:2.6rem}.newest .part{font-size:1.7rem}.newest .note{font-size:1.3rem}
.when{margin-left:0}.counts{grid-template-columns:repeat(3,auto)}}
@media (forced-colors:active){.tag{clip-path:none;border:.2rem solid}.card{border:.2rem solid}}
@media print{html{font-size:9px}#pause{display:none}.tag,.alarm{print-color-adjust:exact}}
"""


def style() -> str:
    """The whole style sheet."""
    return f":root{{{_variables(LIGHT)}}}\n@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}{_RULES}"


def _variables(palette: Mapping[str, str]) -> str:
    return ";".join(f"--{name}:{colour}" for name, colour in palette.items())

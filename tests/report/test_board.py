"""The board as HTML: parsed by the standard library, contrasts computed from its own style sheet."""

import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from runner.records import Outcome
from runner.records_io import from_json, to_json
from runner.report.board import LARGE, board_html
from runner.report.board_data import BoardData, BoardTask
from runner.report.board_kit import SHAPES
from runner.report.board_script import SCRIPT, script_hash
from runner.report.board_style import SEEN_ON, TEXT_ON, style
from runner.report.text import CAUTION
from tests.report.board_samples import NOW, at, board, part, station

VOID = {"meta", "img", "link", "br", "hr", "input"}
EVIL = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'><svg onload=alert(1)>",
    "</style></title><h1>forged</h1>",
    "&lt;b&gt; &amp;",
    "A\u202e321\u202c\u200b\x00\x1b[2J\n",
    "=cmd|' /C calc'!A0",
    "\udcff\ud800",
    "../../etc/passwd",
    "x" * 255,
    "\u05d0\u05d1\u05d2-1",
)


class Page(HTMLParser):
    """Checks nesting; keeps elements with attributes, and the text of each kind of element."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.stack, self.elements, self.texts = [], [], []
        self.feed(text)
        self.close()
        assert not self.stack, f"not closed: {self.stack}"

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes), tuple(self.stack)))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes), tuple(self.stack)))

    def handle_endtag(self, tag):
        assert self.stack and self.stack[-1] == tag, f"</{tag}> closes {self.stack[-3:]}"
        self.stack.pop()

    def handle_data(self, data):
        if self.stack:
            self.texts.append((self.stack[-1], data))

    def text(self):
        return " ".join(data for tag, data in self.texts if tag not in ("script", "style"))

    def all(self, tag):
        return [attributes for name, attributes, _ in self.elements if name == tag]


@pytest.fixture(scope="module")
def page():
    return Page(board_html(board()))


def test_it_says_what_the_operator_needs(page):
    text = re.sub(r"\s+", " ", page.text())
    for words in (
        "HOLD", "0047", "ACCEPT", "REJECT", "Scan the mast hole again from both sides", "WV210-0031.ply",
        "wanted: {part}_{serial}.*", "Rename the file", "3 waiting, 1 being measured", "112", "38", "bench 2",
        "running", "the earlier reject stands until a person decides", "recipe not released", "bottom", "4711 entries",
        CAUTION,
    ):  # fmt: skip
        assert words in text, words


def test_each_outcome_has_a_word_a_shape_and_a_colour_of_its_own():
    for outcome in Outcome:
        text = board_html(board(parts=(part("1", outcome, 5),)))
        assert f'class="tag {outcome.value} newest"' in text and f">{outcome.value.upper()}</span>" in text
        assert SHAPES[outcome] in text
    assert len(set(SHAPES.values())) == 3
    outlines = [ElementTree.fromstring(f"<g>{shape}</g>")[0] for shape in SHAPES.values()]
    assert len({(o.tag, o.get("d", "")) for o in outlines}) == 3, "outlines differ, not only what is inside"


def test_a_waiting_accept_is_shown_as_the_reject_that_stands(page):
    tags = [a for a in page.all("li") if "tag" in a.get("class", "")]
    assert [a["class"].split()[1] for a in tags] == ["hold", "accept", "accept", "reject", "reject", "accept"]
    assert len(tags) == LARGE


def test_what_does_not_count_is_not_coloured_as_if_it_did():
    text = board_html(board(parts=(part("1", Outcome.ACCEPT, 5, counts=False, remark="void: wrong piece (P. Vane)"),)))
    assert 'class="tag void newest"' in text and "void: wrong piece" in text


def test_nothing_is_fetched_from_anywhere():
    text = board_html(board(), picture=lambda name: "data:image/png;base64,AAAA")
    page = Page(text)
    for tag, attributes, _ in page.elements:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = attributes.get(name, "data:")
            assert value.startswith("data:image/"[: len("data:")]), (tag, name, value)
        assert not [name for name in attributes if name.startswith("on")], "no handlers in the markup"
        assert "style" not in attributes
    assert not page.all("link") and "url(" not in style() and "@import" not in style()
    assert "http:" not in text and "https:" not in text and "//" not in re.sub(r"data:[^\"]*", "", style())
    assert "fetch" not in SCRIPT and "XMLHttpRequest" not in SCRIPT and "eval" not in SCRIPT
    (policy,) = [a["content"] for a in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    assert "default-src 'none'" in policy and f"script-src '{script_hash()}'" in policy


@pytest.mark.parametrize("evil", EVIL)
def test_text_from_outside_stays_text(evil):
    clean = Page(board_html(board()))
    one = board()
    parts = tuple(replace(p, part=evil, serial=evil, lot=evil, why=evil, remark=evil) for p in one.parts)
    stations = tuple(
        replace(
            s,
            name=evil,
            host=evil,
            beat_utc=s.beat_utc,
            trouble=(evil,),
            in_hand=tuple(replace(h, file=evil, part=evil, serial=evil) for h in s.in_hand),
            sets=tuple(replace(x, part=evil, serial=evil, have=(evil,), missing=(evil,)) for x in s.sets),
        )
        for s in one.stations
    )
    tasks = tuple(replace(t, title=evil, why=evil, what_to_do=evil, picture="p", picture_text=evil) for t in one.tasks)
    text = board_html(
        replace(one, parts=parts, stations=stations, tasks=tasks, trouble=(evil,), head_hash=evil),
        picture=lambda name: evil,
    )
    text.encode("utf-8")
    page = Page(text)
    allowed = {tag for tag, _, _ in clean.elements} | {"ul"}
    assert {tag for tag, _, _ in page.elements} <= allowed, "no element but ours"
    assert len(page.all("h1")) == 1 and len(page.all("script")) == 1
    names = {name for _, attributes, _ in page.elements for name in attributes}
    assert names <= {name for _, attributes, _ in clean.elements for name in attributes} | {"alt", "src"}
    assert not [c for c in text if ord(c) < 32 and c != "\n"], "no control characters"
    assert not set(text) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200b\u200e\u200f\ufeff")


def test_serials_are_never_cut_so_that_two_look_alike():
    long = "S" * 120
    text = board_html(board(parts=(part(long + "1", Outcome.ACCEPT, 5), part(long + "2", Outcome.REJECT, 9))))
    assert long + "1<" in text and long + "2<" in text and 'class="serial longest"' in text
    assert "text-overflow" not in style() and "line-clamp" not in style()


def test_a_picture_is_only_ever_data(page):
    assert not page.all("img"), "none is there"
    shown = Page(board_html(board(), picture=lambda name: "data:image/png;base64,AAAA"))
    (image,) = shown.all("img")
    assert image["src"] == "data:image/png;base64,AAAA" and "scan again" in image["alt"]
    for address in ("https://elsewhere/x.png", "javascript:alert(1)", "data:text/html,x", "../x.png", ""):
        assert not Page(board_html(board(), picture=lambda name, address=address: address)).all("img")


def luminance(colour):
    """Relative luminance, WCAG 2.2 (formula from its glossary, from memory; the published pairs below check it)."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first, second):
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def palettes():
    """Both palettes, read from the style sheet as the browser reads it."""
    found = re.findall(r":root\{([^}]*)\}", style())
    assert len(found) == 2 and "prefers-color-scheme:dark" in style()
    return [dict(re.findall(r"--([a-z-]+):(#[0-9a-f]{6})", text)) for text in found]


def test_contrast_formula():
    # common practice: black on white is 21, #767676 the lightest grey that passes 4.5 on white, #777777 fails
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("index", [0, 1], ids=["light", "dark"])
def test_contrasts(index):
    """WCAG 2.2, level AA: text 4.5 (1.4.3), boundaries and focus 3 (1.4.11)."""
    colours = palettes()[index]
    for text, ground in TEXT_ON:
        assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for line, ground in SEEN_ON:
        assert contrast(colours[line], colours[ground]) >= 3.0, (line, ground)
    assert set(colours) == {name for pair in (*TEXT_ON, *SEEN_ON) for name in pair}, "every colour is checked"
    used = set(re.findall(r"var\(--([a-z-]+)", style())) - {"fill", "on"}
    assert used == set(colours), "and there is no other"
    rules = style().split("}", 2)[2]
    assert set(re.findall(r"#[0-9a-f]{3,6}", rules)) <= {"#fff"}, "no colour beside the palette but the pictures' paper"


def test_outcomes_differ_in_lightness_too():
    """Told apart without colour: the three fills differ in luminance by 1.4 to one or more."""
    for colours in palettes():
        fills = sorted((colours[f"{o.value}-fill"] for o in Outcome), key=luminance)
        assert all(contrast(a, b) >= 1.4 for a, b in itertools.pairwise(fills)), fills


def test_structure_for_keyboard_and_screen_reader(page):
    assert page.all("html")[0]["lang"] == "en"
    assert [len(page.all(tag)) for tag in ("main", "header", "footer", "h1", "title")] == [1, 1, 1, 1, 1]
    levels = [int(tag[1]) for tag, _, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and all(b <= a + 1 for a, b in itertools.pairwise(levels)), levels
    ids = [a["id"] for _, a, _ in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    for tag in ("section", "article"):
        assert all(a["aria-labelledby"] in ids for a in page.all(tag))
    assert page.all("table") and len(page.all("caption")) == len(page.all("table"))
    assert all(a.get("scope") in ("col", "row") for a in page.all("th"))
    live = [a for _, a, _ in page.elements if "aria-live" in a]
    assert [a["aria-live"] for a in live] == ["polite"], "one voice, and it does not interrupt"
    assert not [a for _, a, _ in page.elements if "autofocus" in a or int(a.get("tabindex", 0)) > 0]
    assert all(a.get("aria-hidden") == "true" for a in page.all("svg")), "the word stands beside each symbol"
    scrolled = [a for a in page.all("div") if a.get("class") == "scroll"]
    assert scrolled and all(a["tabindex"] == "0" and a["aria-label"] and a["id"] for a in scrolled)
    assert "outline" in style() and "outline:none" not in style() and "outline:0" not in style()


def test_it_refreshes_without_a_script_too():
    text = board_html(board(), refresh_s=7.0)
    assert '<noscript><meta http-equiv="refresh" content="7"></noscript>' in text and 'data-refresh="7"' in text


def test_trouble_and_silence_come_first():
    dead = station(state="silent", beat_utc=at(600))
    data = board(stations=(dead, station(name="bench 2", trouble=("the disk is full",))), trouble=("no ledger",))
    assert data.dead and data.troubles[0].startswith("bench 1: no sign of life since")
    text = board_html(data)
    assert text.index("Trouble</h2>") < text.index("Last parts") and "the disk is full" in text and "no ledger" in text
    assert "<title>Trouble" in text
    stopped = board(stations=(station(state="stopped", trouble=("old story",)),))
    assert stopped.troubles == () and not stopped.dead and not stopped.running


def test_waiting_files_are_counted_once_per_folder():
    def waiting(*stations):
        return board(stations=stations).waiting

    assert waiting(station(waiting=3), station(name="b", waiting=4)) == 4
    assert waiting(station(waiting=3), station(name="b", waiting=4, folder="other")) == 7
    assert waiting(station(waiting=3, state="silent")) == 0


def test_an_empty_board_and_times_that_are_none():
    empty = BoardData(at(0), (), (), (), ((Outcome.ACCEPT, 0),), 0, 0, "")
    text = Page(board_html(empty)).text()
    assert "No part has been measured yet" in text and "Nothing waits for a person" in text
    odd = board(made_utc="soon", stations=(station(beat_utc="never"),), tasks=(BoardTask("t", "w", "d", "<b>"),))
    Page(board_html(odd))


def test_the_data_goes_through_json_without_loss():
    data = board()
    assert from_json(BoardData, to_json(data)) == data
    assert data.made_utc == NOW.isoformat(timespec="milliseconds").replace("+00:00", "Z")

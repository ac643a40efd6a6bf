"""The report for whoever sees no colours, no plots, or nothing: contrast, headings, tables, names.

Contrast is reckoned as WCAG 2.2 does (relative luminance, contrast ratio; 1.4.3 asks 4.5 to 1 for
text): formulas from memory. What a screen reader is given is asked of Chromium itself.
"""

import json
import os
import re
import shlex
import shutil
import subprocess
import time
from importlib.resources import files
from itertools import count, pairwise

import pytest

from harness.report import drawing
from harness.report.write import drawn
from tests.report import golden
from tests.report.printed import FLAGS
from tests.report.test_report import Page

LEAST_CONTRAST = 4.5
TEMPLATES = files("harness.report").joinpath("templates")


def luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    digits = "".join(2 * digit for digit in digits) if len(digits) == 3 else digits
    shares = [int(digits[at : at + 2], 16) / 255.0 for at in (0, 2, 4)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return sum(w * s for w, s in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def variables(text: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})\b", text))


CSS = TEMPLATES.joinpath("style.css").read_text(encoding="utf-8")
CARD = TEMPLATES.joinpath("lid_card.css").read_text(encoding="utf-8")
TYP = TEMPLATES.joinpath("page.typ").read_text(encoding="utf-8")
TEXTS = ("ink", "quiet", "pass", "fail", "undecided", "none")


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    # 21 by definition; the greys are known pairs: #767676 is the lightest that passes on white.
    [("#000", "#fff", 21.0), ("#767676", "#ffffff", 4.54), ("#777777", "#ffffff", 4.48)],
)
def test_contrast_is_reckoned_right(one, other, ratio):
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)  # half a unit of the last digit


@pytest.mark.parametrize("ground", ["#ffffff", variables(CSS)["wash"]])
@pytest.mark.parametrize("name", TEXTS)
def test_text_stands_out_from_its_ground(name, ground):
    assert contrast(variables(CSS)[name], ground) >= LEAST_CONTRAST


@pytest.mark.parametrize("name", ["ink", "quiet"])
def test_text_of_cards_stands_out(name):
    assert contrast(variables(CARD)[name], "#ffffff") >= LEAST_CONTRAST


def test_no_other_colour_is_a_text_s():
    """Each colour that the stylesheet names outside its list, and what for."""
    rest = CSS.partition("}")[2]
    assert re.findall(r"[^-]\bcolor: (#[0-9a-f]{3,6})", rest) == ["#566462"]  # the page's number
    assert contrast("#566462", "#ffffff") >= LEAST_CONTRAST


def test_the_pdf_has_the_same_colours():
    held = variables(CSS)
    typed = dict(re.findall(r'"?([\w-]+(?: measured)?)"?(?: =|:) rgb\("(#[0-9a-f]{6})"\)', TYP))
    names = {"line-colour": "line", "not measured": "none"}
    assert len(typed) == 8
    assert {names.get(name, name): colour for name, colour in typed.items()} == held


@pytest.mark.parametrize("colour", [drawing.INK, drawing.FIRST, drawing.SECOND])
def test_text_in_plots_stands_out(colour):
    assert contrast(colour, "#ffffff") >= LEAST_CONTRAST


@pytest.fixture(scope="module")
def html():
    return drawn(golden.document(), ".html").decode("utf-8")


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def test_every_text_in_every_plot_stands_out(html):
    texts = re.findall(r"<text [^>]*style=\"([^\"]*)\"", html)
    colours = {found[0] for style in texts if (found := re.findall(r"fill: (#[0-9a-f]{6})", style))}
    assert texts
    assert colours
    for colour in colours:
        assert contrast(colour, "#ffffff") >= LEAST_CONTRAST, colour


def test_headings_go_down_one_at_a_time(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_table_has_a_caption_and_headings(html):
    tables = re.findall(r"<table.*?</table>", html, flags=re.DOTALL)
    assert len(tables) > 5
    for table in tables:
        assert len(re.findall(r"<caption[^>]*>\s*\S", table)) == 1
        assert '<th scope="col">' in table
        for row in re.findall(r"<tr.*?</tr>", table.partition("<tbody>")[2], flags=re.DOTALL):
            assert row.count('<th scope="row">') == 1


def test_a_verdict_is_a_word_with_a_sign_of_its_own(html):
    told = re.findall(r'<span class="verdict ([\w-]+)">(.*?)</span>', html, flags=re.DOTALL)
    assert {name for name, _ in told} == {"pass", "fail", "not-measured"}
    shapes = {}
    for name, inside in told:
        assert re.sub("<.*?>", "", inside, flags=re.DOTALL).strip() == name.replace("-", " ")
        shapes[name] = re.search(r"<svg.*?</svg>", inside, flags=re.DOTALL)[0]
    assert len(set(shapes.values())) == len(shapes)


def tree_of(html, folder):
    """Open a page in Chromium and ask it by its debugging pipe; no port, no library."""
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium on this machine: it is not asked what a screen reader is given")
    (folder / "page.html").write_text(html, encoding="utf-8")
    theirs_in, ours_out = os.pipe()
    ours_in, theirs_out = os.pipe()
    words = [chromium, *FLAGS.split(), "--remote-debugging-pipe"]
    words += [f"--user-data-dir={folder / 'profile'}", (folder / "page.html").as_uri()]
    browser = subprocess.Popen(
        ["bash", "-c", f"exec {shlex.join(words)} 3<&{theirs_in} 4>&{theirs_out}"],
        pass_fds=(theirs_in, theirs_out),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(theirs_in)
    os.close(theirs_out)
    try:
        with os.fdopen(ours_out, "wb", buffering=0) as out, os.fdopen(ours_in, "rb") as heard:
            return _tree(out, heard)
    finally:
        browser.kill()
        browser.wait()


def _tree(out, heard):
    numbers = count(1)

    def ask(method, session=None, **parameters):
        number = next(numbers)
        message = {"id": number, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        out.write(json.dumps(message).encode() + b"\0")
        while True:
            raw = bytearray()
            while (octet := heard.read(1)) not in (b"\0", b""):
                raw += octet
            assert raw, "the browser went away"
            answer = json.loads(raw)
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return answer["result"]

    targets = ask("Target.getTargets")["targetInfos"]
    (target,) = (one["targetId"] for one in targets if one["type"] == "page")
    session = ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
    ask("Accessibility.enable", session)
    # An empty page is complete too, before ours comes.
    loaded = "document.readyState == 'complete' && document.title != ''"
    for _ in range(1000):
        if ask("Runtime.evaluate", session, expression=loaded)["result"]["value"]:
            break
        time.sleep(0.02)
    return ask("Accessibility.getFullAXTree", session)["nodes"]


def test_what_a_screen_reader_is_given(html, tmp_path):
    named = {}
    for node in tree_of(html, tmp_path):
        if node["ignored"]:
            continue
        role = node.get("role", {}).get("value")
        name = " ".join(node.get("name", {}).get("value", "").split())
        named.setdefault(role, []).append(name)
    assert named["RootWebArea"] == ["Acceptance of Frost Watch 1"]
    assert len(named["table"]) > 5
    assert all(named["table"])
    assert "Each reading that a limit stands for; U is the expanded uncertainty" in named["table"]
    assert {"Reading", "Value ± U", "Verdict"} <= set(named["columnheader"])
    assert any(name.startswith("Frequency error") for name in named["rowheader"])
    plots = [name for role in ("image", "img") for name in named.get(role, [])]
    assert len(plots) > 5
    assert all(plots)
    assert "QR code that holds the SHA-512 of the results file" in plots
    assert "What was judged" in named["heading"]

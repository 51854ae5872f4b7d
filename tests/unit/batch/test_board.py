"""The board: one file, nothing fetched, nothing run that is not ours, shown in a moment, open to everybody."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import re
import subprocess
import sys
from pathlib import Path

import pymupdf
import pytest

from pipeline.batch.board import Board, board_page
from pipeline.batch.standings import Standing
from pipeline.errors import Reason
from pipeline.model.night import PooledOrder
from pipeline.model.status import Status
from tests.unit.batch.driven_browser import CHROMIUM, page_shown

EVIL = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\" onclick='x'"
THUMBNAIL = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="240" height="184" viewBox="0 0 240 184"><path d="' + "M52.6 157.2L212.8 108.3" * 40 + '"/></svg>'
)
AXE = Path(sys.prefix) / "axe" / "axe.min.js"


def _standing(number: int, **fields: object) -> Standing:
    held = number % 7 == 0
    reasons = (
        (Reason(ref="no-water", what="the survey has no water's edge", why="it is needed", file="points.csv", line=3, do="shoot it"),) if held else ()
    )
    warnings = (Reason(ref="does-not-comply", what="305.2.1: missed at P03", do="higher panels"),) if number % 7 == 1 else ()
    name = f"job-{number:04d}"
    status = Status(
        job=name,
        state="held" if held else "complete",
        revision=0 if held else 1,
        stage="survey" if held else "package",
        reasons=reasons,
        warnings=warnings,
    )
    made: dict[str, object] = {
        "shown": name,
        "status": status,
        "title": f"Garden {number}",
        "due": f"2026-12-{number % 28 + 1:02d}",
        "rules": ("us-ispsc-2021",),
        "verdict": "" if held else ("does not comply", "marginal", "complies")[number % 3],
        "thumbnail": "" if held else THUMBNAIL,
        "files": () if held else ("checks.csv", "crew.pdf", "holes.csv", "inspection.pdf", "plan.dxf", "shop.pdf"),
        "zip": "" if held else f"{name}-r1.zip",
        "log": ("survey: no water",) if held else (),
    }
    return Standing(**{**made, **fields})


@pytest.fixture(scope="module")
def thousand() -> str:
    return board_page(Board(jobs=tuple(_standing(number) for number in range(1000))))


def test_the_same_night_gives_the_same_bytes(thousand):
    assert thousand == board_page(Board(jobs=tuple(_standing(number) for number in reversed(range(1000)))))


def test_nothing_is_fetched_and_no_script_but_ours_may_run(thousand):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', thousand)[1]
    for tag, source in (("script", "script-src"), ("style", "style-src")):
        texts = re.findall(rf"<{tag}>(.*?)</{tag}>", thousand, re.DOTALL)
        assert len(texts) == 1
        assert f"{source} 'sha256-{base64.b64encode(hashlib.sha256(texts[0].encode()).digest()).decode()}'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert re.findall(r'(?:src|href)="(?!data:image|\.\./jobs/|#jobs|[a-z]+\.(?:xlsx|csv)")[^"]*"', thousand) == []
    assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+|http-equiv", "", thousand)


def test_markup_from_outside_stays_text():
    reason = Reason(ref="x", what=EVIL, why=EVIL, file=EVIL, do=EVIL)
    status = Status(job="job", state="held", revision=0, stage=EVIL, reasons=(reason,), warnings=(reason,))
    page = board_page(
        Board(jobs=(Standing(shown=EVIL, status=status, title=EVIL, due=EVIL, rules=(EVIL,), verdict=EVIL, log=(EVIL,), files=(EVIL,)),))
    )
    assert page.count("<script>") == page.count("</script>") == 1
    assert "<img src=x" not in page
    assert "onclick='x'\"" not in page


def test_what_somebody_has_to_act_on_stands_first(thousand):
    kinds = re.findall(r'<tr class="(\w+)"', thousand)
    assert kinds == sorted(kinds, key=("held", "fails", "marginal", "complete").index)
    assert set(kinds) == {"held", "fails", "marginal", "complete"}


def test_state_is_told_in_words_and_every_picture_has_a_text(thousand):
    assert re.findall(r"<img (?![^>]*alt=\"Plan of)", thousand) == []
    assert len(re.findall(r'<span class="badge">(?:held|does not comply|marginal|complete)</span>', thousand)) == 1000
    assert thousand.count('<th scope="row">') == 1000


def _luminance(colour: str) -> float:
    parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.outside(
    source="WCAG 2.2, success criterion 1.4.3 (from memory)", compares="contrast of the board's text colours", tolerance=">= 4.5 : 1"
)
def test_contrast(thousand):
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", thousand))
    on_page = [(colours[name], colours["page"]) for name in ("ink", "quiet", "link", "held", "fails", "marginal", "complete")]
    for text, ground in [*on_page, (colours["quiet"], colours["band"])]:
        light, dark = sorted((_luminance(text), _luminance(ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (text, ground)


def _in_browser(page: Path, scratch: Path, *more: str) -> str:
    words = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
    words += ["--disable-component-update", "--disable-sync", f"--user-data-dir={scratch}", *more, "--dump-dom", page.as_uri()]
    return subprocess.run(words, capture_output=True, text=True, timeout=120, check=True).stdout


def _with(page: str, script: str) -> str:
    """Return the page with a script of the test's own, and without the policy that would stop it."""
    return re.sub(r"<meta http-equiv=[^>]*>", "", page).replace("</body>", f"<script>{script}</script></body>")


@pytest.fixture
def browser(tmp_path):
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    return tmp_path


def test_a_thousand_jobs_are_shown_within_two_seconds(browser, thousand):
    script = "addEventListener('load', () => { document.body.getBoundingClientRect(); document.title = 'SHOWN ' + Math.round(performance.now()); });"
    (browser / "board.html").write_text(_with(thousand, script))
    times = []
    for attempt in range(5):
        shown = re.search(r"<title>SHOWN (\d+)", _in_browser(browser / "board.html", browser / f"profile{attempt}", "--timeout=8000"))
        times += [int(shown[1])] if shown else []
        if times and min(times) <= 2000:
            break
    assert times, "the page was never shown"
    assert min(times) <= 2000  # [ms] best of five, loaded and laid out: others may be at work on this machine


_USE = """
const head = document.querySelector('th[data-key="due"]');
head.querySelector("button").click();
const dues = Array.from(document.querySelectorAll("#jobs tbody tr"), (row) => row.dataset.due);
const sorted = dues.every((due, index) => index === 0 || dues[index - 1] <= due);
const show = document.getElementById("show"); show.value = "held"; show.dispatchEvent(new Event("change"));
const held = Array.from(document.querySelectorAll("#jobs tbody tr")).filter((row) => !row.hidden).length;
const find = document.getElementById("find"); find.value = "job-0007"; find.dispatchEvent(new Event("input"));
const found = Array.from(document.querySelectorAll("#jobs tbody tr")).filter((row) => !row.hidden).map((row) => row.dataset.job);
document.title = ["USED", sorted, head.getAttribute("aria-sort"), held, found.join(), document.getElementById("count").textContent].join("|");
"""


def test_sorting_and_filtering_work_and_are_told(browser):
    page = board_page(Board(jobs=tuple(_standing(number) for number in range(70))))
    (browser / "board.html").write_text(_with(page, _USE))
    told = re.search(r"<title>USED\|([^<]*)", _in_browser(browser / "board.html", browser / "profile"))[1]
    assert told.split("|") == ["true", "ascending", "10", "job-0007", "1 of 70 jobs shown"]


def test_the_policy_lets_our_own_script_run(browser):
    (browser / "board.html").write_text(board_page(Board(jobs=(_standing(1),))))
    assert "1 of 1 jobs shown" in _in_browser(browser / "board.html", browser / "profile")


@pytest.mark.parametrize("size", ["1400,1200", "400,1200"])
@pytest.mark.outside(
    source="axe-core, rules of WCAG 2 A and AA", compares="accessibility of the board, wide and on a phone", tolerance="no violation"
)
def test_a_screen_reader_and_a_keyboard_find_their_way(browser, size):
    if not AXE.exists():
        pytest.skip(f"axe-core is not installed in {AXE.parent}")
    page = board_page(Board(jobs=tuple(_standing(number) for number in range(12))))
    report = 'axe.run().then((found) => { document.title = "AXE" + JSON.stringify(found.violations.map((one) => one.id)) + found.passes.length; });'
    (browser / "board.html").write_text(_with(page, AXE.read_text()).replace("</body>", f"<script>{report}</script></body>"))
    found = re.search(
        r"<title>AXE(\[.*?\])(\d+)", _in_browser(browser / "board.html", browser / "profile", f"--window-size={size}", "--virtual-time-budget=20000")
    )
    assert found[1] == "[]"
    assert int(found[2]) > 20


@pytest.fixture
def shown(browser):
    """Show a board of so many jobs in a driven browser."""

    @contextlib.contextmanager
    def show(page: str, width: int = 1400, height: int = 900):
        (browser / "board.html").write_text(page)
        with page_shown(browser / "board.html", browser / f"profile{width}", width, height) as driven:
            yield driven

    return show


ACTIVE = "(document.activeElement.id || document.activeElement.textContent.trim())"
SHOWN = "Array.from(document.querySelectorAll('#jobs tbody tr')).filter((row) => !row.hidden).map((row) => row.dataset.job)"


def test_the_board_is_worked_by_keyboard_alone(shown, thousand):
    """With the policy that ships: keys are the browser's own, no script is put in."""
    with shown(thousand) as page:
        page.press("Tab")
        assert page.tell(ACTIVE) == "To the jobs"
        page.press("Enter")
        assert page.tell("location.hash") == "#jobs"
        page.tell("document.activeElement.blur()")
        page.tell("document.querySelector('.skip').focus()")
        while page.tell(ACTIVE) != "find":
            page.press("Tab")
        page.type("garden 77")
        assert page.tell("document.getElementById('count').textContent") == "19 of 1000 jobs shown"
        page.press("Tab")
        assert page.tell(ACTIVE) == "show"
        page.press("ArrowDown")  # the first state: held
        assert page.tell(SHOWN) == ["job-0077", "job-0770", "job-0777"]
        page.press("Tab")
        assert page.tell(ACTIVE) == "sort"
        page.press("ArrowDown", 3)
        assert page.tell("document.getElementById('sort').value") == "due"
        dues = page.tell(f"{SHOWN}.map((name) => document.querySelector('tr[data-job=\"' + name + '\"]').dataset.due)")
        assert dues == sorted(dues) and len(dues) == 3
        while page.tell("document.activeElement.tagName") != "BUTTON":
            page.press("Tab")
        assert page.tell(ACTIVE) == "Job"
        page.press("Enter")
        page.press("Enter")
        assert page.tell("document.activeElement.closest('th').getAttribute('aria-sort')") == "descending"
        assert page.tell(SHOWN) == ["job-0777", "job-0770", "job-0077"]
        while page.tell("document.activeElement.tagName") != "SUMMARY":
            page.press("Tab")
        page.press("Enter")
        assert page.tell("document.activeElement.closest('details').open") is True
        assert page.tell("getComputedStyle(document.activeElement).outlineStyle") == "solid"


@pytest.mark.parametrize("width", [600, 860, 1040, 1070, 1200, 1366, 1920])
def test_at_no_width_the_board_runs_out_of_the_window(shown, width):
    """With jobs held, failing and marginal, their due dates and orders, and names as long as they come."""
    jobs = tuple(_standing(number, shown=f"{number:02d}-garden-behind-the-old-mill") for number in range(14))
    totals = {job.status.job: 12_140.67 for job in jobs}
    order = PooledOrder(lines=(), jobs=tuple(totals), totals=totals, total=sum(totals.values()), alone=totals, saving=1_769.5, currency="USD")
    with shown(board_page(Board(jobs=jobs, order=order)), width) as page:
        assert page.tell("document.documentElement.scrollWidth") <= page.tell("document.documentElement.clientWidth")
        assert page.tell("document.querySelectorAll('thead th')[6].offsetParent !== null") is (width > 1056)


def test_on_a_phone_nothing_runs_out_of_the_screen_and_jobs_can_be_sorted(shown):
    page_of_jobs = board_page(Board(jobs=tuple(_standing(number) for number in range(30))))
    with shown(page_of_jobs, 360, 740) as page:
        assert page.tell("document.documentElement.scrollWidth") <= 360
        beyond = "Array.from(document.querySelectorAll('main *')).filter((one) => one.getBoundingClientRect().right > 361 && !one.closest('.unseen')).length"
        assert page.tell(beyond) == 0
        assert page.tell("parseFloat(getComputedStyle(document.querySelector('.do')).fontSize)") >= 14
        page.tell("document.getElementById('sort').focus()")
        page.press("ArrowDown")
        names = page.tell(SHOWN)
        assert names == sorted(names)
        for _ in range(40):  # no stop of the keyboard is out of sight
            page.press("Tab")
            box = "(() => { const box = document.activeElement.getBoundingClientRect(); return [box.width, box.height]; })()"
            assert min(page.tell(box)) > 1, page.tell("document.activeElement.outerHTML")


def test_it_prints_every_job_with_its_reasons_and_warnings_and_without_controls(shown):
    warned = Status(job="warned", state="complete", revision=1, stage="package", warnings=(Reason(ref="grid", what="scaled to the ground"),))
    page_of_jobs = board_page(Board(jobs=(_standing(30, shown="warned", status=warned), *(_standing(number) for number in range(30)))))
    with shown(page_of_jobs) as page:
        document = pymupdf.open(stream=page.printed(), filetype="pdf")
        assert page.tell("document.querySelectorAll('details[open]').length") == 0  # folded again
    text = "\n".join(sheet.get_text() for sheet in document)
    assert all(f"job-{number:04d}" in text for number in range(30))
    assert text.count("the survey has no water's edge") == 5
    assert "scaled to the ground" in text
    assert "Find" not in text and "last lines of the log" not in text
    assert len(document) > 1
    for sheet in document:
        assert sheet.rect.width > sheet.rect.height  # landscape
        assert all(x0 >= 0 and x1 <= sheet.rect.width for x0, _, x1, *_ in sheet.get_text("words"))
        assert {"Plan", "Job", "State", "Due", "Order"} <= set(sheet.get_text().split("\n"))

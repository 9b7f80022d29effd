"""The page in a real browser: every picture loads, nothing overflows, the numbers are there."""

import json
import re
import shutil
import subprocess
from html import unescape

import numpy as np
import pytest

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--disable-quic"),
)
# The page itself has no script; this one is added to a copy, to look at it from inside.
PROBE = """<script>addEventListener("load", () => {
const found = [...document.querySelectorAll("data")].map(e => [e.value, e.getClientRects().length]);
const broken = [...document.images].filter(i => !i.complete || i.naturalWidth < 50).length;
const wide = [...document.querySelectorAll("table, figure, img, p, h1, h2, h3, li, dd")]
  .filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80));
const cut = [...document.querySelectorAll(".scroll")]
  .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.innerText.slice(0, 60));
const out = document.createElement("textarea");
out.id = "probe";
out.textContent = JSON.stringify({numbers: found.filter(([, n]) => n).map(([v]) => v),
  images: document.images.length, broken, wide, cut, scroll: document.documentElement.scrollWidth});
document.body.append(out);
})</script></body>"""

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")


@pytest.fixture
def look(tmp_path):
    """Open a page, laid out for a screen or for A4: `look(path) -> what the probe found`."""

    def look(path, *, on_paper=False):
        copy = tmp_path / "probed.html"
        text = path.read_text(encoding="utf-8")
        width = 1280
        if on_paper:  # 186 mm at 96 dots an inch
            width, text = 703, text.replace("@media print", "@media all")
        copy.write_text(text.replace("</body>", PROBE), encoding="utf-8")
        profile = f"--user-data-dir={tmp_path / 'profile'}"
        size = f"--window-size={width},1600"
        dump = (size, "--dump-dom", "--virtual-time-budget=20000", copy.as_uri())
        done = subprocess.run(
            [BROWSER, *FLAGS, profile, *dump], capture_output=True, text=True, timeout=120
        )
        found = re.search(r'<textarea id="probe">(.*?)</textarea>', done.stdout, re.DOTALL)
        assert found, done.stderr[-500:]
        return json.loads(unescape(found[1]))

    return look


def test_the_numbers_of_the_tables_are_seen_in_a_browser(quiet_report, numbers_of, look):
    seen = look(quiet_report / "report.html")
    for name in ("measures.csv", "levels.csv"):
        numbers = numbers_of(quiet_report / name)
        assert len(numbers) > 20
        assert {(column, cell) for column, cell in numbers if cell not in seen["numbers"]} == set()
    assert seen["images"] > 20
    assert seen["cut"] == []
    assert seen["broken"] == 0
    assert seen["wide"] == []
    assert seen["scroll"] <= 1280


def test_text_without_a_space_does_not_widen_the_page(
    write_manifest, write_traces, report_of, tmp_path, look
):
    long = "W" * 20_000
    folder = write_manifest(
        {"recording": long, "condition": long, "channel": long, "comment": long, "system": long}
    )
    write_traces(folder / "one.csv", {"average": np.random.default_rng(1).normal(0, 20, 300)})
    keys = ("session", "notes", "tester_conclusion", "test_date")
    text = "\n".join(f"{key} = '{long}'" for key in keys)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    clause = (
        f'[[clause]]\nid = "{{}}{long[:300]}"\nquantity = "{{}}"\nscope = "{{}}"\noperator = ">="\n'
        f'value = 2\nunit = ""\nmeaning = "{long}"\nsource = "{long}"\n'
        f'status = "published in {long}"\n'
    )
    (folder / "limits.toml").write_text(
        clause.format("a", "fmp", "combined")
        + clause.format("b", "n_sweeps", "each trace").replace('unit = ""', 'unit = "sweeps"'),
        encoding="utf-8",
    )
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        file.write("\ncriteria = 'limits.toml'\n")
    report_of(folder)
    for on_paper in (False, True):
        seen = look(tmp_path / "out" / "report.html", on_paper=on_paper)
        assert seen["scroll"] <= (703 if on_paper else 1280)
        assert seen["wide"] == []
        assert seen["cut"] == []
        assert seen["broken"] == 0

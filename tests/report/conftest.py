"""Pages, and how they are read back."""

import csv
import re
from dataclasses import dataclass, field
from pathlib import Path

import html5lib
import pytest

import waveworks as ww

NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]?\d+)?")
NOT_MEASURED = {"level_db_nhl", "level_db_ehl", "frequency_hz", "highpass_hz", "lowpass_hz"}


@dataclass
class Page:
    """What a page says, as a parser of the HTML standard reads it."""

    text: str
    numbers: set[str] = field(default_factory=set)
    tags: set[str] = field(default_factory=set)
    images: list[dict[str, str]] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    words: str = ""

    def __post_init__(self) -> None:
        # strict: anything that the standard calls a parse error is raised.
        parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
        root = parser.parse(self.text)
        for element in root.iter():
            if not isinstance(element.tag, str):
                continue
            self.tags.add(element.tag)
            if element.tag == "data":
                self.numbers.add(element.attrib["value"])
            if element.tag == "img":
                self.images.append(dict(element.attrib))
            if "id" in element.attrib:
                self.ids.append(element.attrib["id"])
            if "href" in element.attrib:
                self.links.append(element.attrib["href"])
        self.words = " ".join(" ".join(root.itertext()).split())


@pytest.fixture(scope="session")
def quiet_report(tmp_path_factory) -> Path:
    """The output folder of a report on the invented session that the project ships."""
    out = tmp_path_factory.mktemp("quiet") / "out"
    ward = Path(__file__).parents[2] / "synthetic_data" / "quiet_ward"
    ww.write_report(ww.analyse(ww.read_session(ward)), out)
    return out


@pytest.fixture(scope="session")
def quiet_page(quiet_report: Path) -> Page:
    """The page of that report."""
    return Page((quiet_report / "report.html").read_text(encoding="utf-8"))


@pytest.fixture
def report_of(tmp_path: Path):
    """Report a session folder: `report_of(folder) -> Page`."""

    def report(folder: Path) -> Page:
        out = tmp_path / "out"
        ww.write_report(ww.analyse(ww.read_session(folder)), out, force=True)
        return Page((out / "report.html").read_text(encoding="utf-8"))

    return report


@pytest.fixture
def numbers_of():
    """Every number in a table of the output: `numbers_of(path) -> {(column, cell), ...}`."""

    def numbers(path: Path) -> set[tuple[str, str]]:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        return {
            (column, cell)
            for row in rows
            for column, cell in row.items()
            if column not in NOT_MEASURED and NUMBER.fullmatch(cell)
        }

    return numbers

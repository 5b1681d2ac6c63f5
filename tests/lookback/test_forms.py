"""A report in all its forms: the same content, the same bytes, nothing that a spreadsheet would run, and verifiable."""

import csv
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pypdf
import pytest
from animal_room import DAYS, furnish_animals
from past_room import CLOCK, facts_of, instant, ms, put

from service.errors import BadUse
from service.lookback.forms.bundle import cell
from service.lookback.forms.key import found_in, key_of, written
from service.lookback.forms.making import Form, Made, make, write
from service.lookback.forms.pdf import spelled
from service.lookback.forms.verify import verify
from service.lookback.lives.asking import Question
from service.lookback.lives.compared import value_words
from service.store.animals import rename_animal
from service.store.engine import Store
from tests.empty_store import sqlite_store

AMBER = Question("animal", "Amber")
NOW = instant(DAYS + 4)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    store = sqlite_store(tmp_path_factory.mktemp("forms") / "wardian.db")
    furnish_animals(store)
    yield store
    store.close()


@pytest.fixture(scope="module")
def made(room: Store) -> Made:
    return make(room, facts_of(room), AMBER, NOW)


@pytest.fixture(scope="module")
def files(room: Store, made: Made, tmp_path_factory: pytest.TempPathFactory) -> dict[Form, Path]:
    """Write the report in every form, under its name."""
    folder = tmp_path_factory.mktemp("files")
    paths = {form: folder / f"report.{form}" for form in Form}
    for form, path in paths.items():
        path.write_bytes(b"".join(write(room, facts_of(room), made, form)))
    return paths


def squeezed(text: str) -> str:
    """Return a text without what line breaks and hyphenation do to it."""
    return re.sub(r"[\s\u00ad-]+", "", text)


def test_the_pdf_says_what_the_json_says(files: dict[Form, Path]) -> None:
    report = json.loads(files[Form.JSON].read_bytes())
    reader = pypdf.PdfReader(files[Form.PDF])
    text = squeezed("".join(page.extract_text() for page in reader.pages))
    for sentence in report["summary"]["sentences"]:
        assert squeezed(sentence) in text, sentence
    for day in report["days"]:
        assert day["fingerprint"] in text
        for check in day["checks"]:
            if check["verdict"] == "not met":
                assert squeezed(value_words(check["value"], check["unit"])) in text
    for entry in report["journal"]:
        assert squeezed(entry["note"]) in text
    assert report["data"]["fingerprint"] in text
    assert f"{report['data']['readings']:,}" in text
    assert "onlyaveterinariancansaywhatananimalsuffersfrom" in text


def test_the_pdf_is_tagged_and_carries_its_fonts_and_vectors(files: dict[Form, Path]) -> None:
    reader = pypdf.PdfReader(files[Form.PDF])
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert "pdfuaid" in root["/Metadata"].get_object().get_data().decode()
    assert reader.metadata.title == "Look-back: Amber, Lacerta exempli"
    fonts = [font.get_object() for page in reader.pages for font in page["/Resources"]["/Font"].values()]
    assert fonts
    for font in fonts:
        below = font["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        assert {"/FontFile2", "/FontFile3"} & set(below), font["/BaseFont"]
    assert not [image for page in reader.pages for image in page.images], "the pictures are vectors"


@pytest.mark.parametrize(("paper", "size"), [("a4", (595, 842)), ("us-letter", (612, 792))])
def test_both_papers(room: Store, made: Made, paper: str, size: tuple[int, int]) -> None:
    pdf = b"".join(write(room, facts_of(room), made, Form.PDF, paper))
    assert pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox[2:] == pytest.approx(size, abs=1)


def test_an_unknown_paper_is_refused(room: Store, made: Made) -> None:
    with pytest.raises(BadUse, match="expected a4 or us-letter, got 'a0'"):
        list(write(room, facts_of(room), made, Form.PDF, "a0"))


@pytest.mark.parametrize("form", Form)
def test_the_same_again_gives_the_same_bytes_also_a_day_later(room: Store, files: dict[Form, Path], form: Form) -> None:
    again = make(room, facts_of(room), AMBER, instant(DAYS + 30))
    assert b"".join(write(room, facts_of(room), again, form)) == files[form].read_bytes()


def test_the_html_needs_nothing_else_and_runs_nothing(files: dict[Form, Path]) -> None:
    page = files[Form.HTML].read_text("utf-8")
    assert not re.search(r'(src|href)="(?!#)', page)
    assert "default-src 'none'" in page
    assert page.count("<script") == 1
    assert 'type="application/json"' in page
    held = re.search(r'id="look-back">(.*?)</script>', page, re.DOTALL)
    assert held is not None
    assert json.loads(held[1]) == json.loads(files[Form.JSON].read_bytes())


def test_the_bundle_is_whole_and_its_checksums_are_right(files: dict[Form, Path]) -> None:
    with zipfile.ZipFile(files[Form.CSV]) as bundle:
        sums = dict(reversed(line.split("  ")) for line in bundle.read("SHA256SUMS").decode().splitlines())
        assert set(sums) == set(bundle.namelist()) - {"SHA256SUMS"}
        for name, digest in sums.items():
            assert hashlib.sha256(bundle.read(name)).hexdigest() == digest
        assert bundle.read("report.json") == files[Form.JSON].read_bytes()
        told = bundle.read("README.txt").decode()
        assert [name for name in bundle.namelist() if name not in told] == ["README.txt"]


def test_no_cell_is_a_formula_and_no_number_is_changed(files: dict[Form, Path]) -> None:
    with zipfile.ZipFile(files[Form.CSV]) as bundle:
        notes = [row["note"] for row in csv.DictReader(io.StringIO(bundle.read("journal.csv").decode()))]
        assert "apathetic, =SUM(A1)" in notes
        for name in bundle.namelist():
            if name.endswith(".csv"):
                rows = csv.reader(io.StringIO(bundle.read(name).decode()))
                wrong = [one for row in rows for one in row if one[:1] in set("=+@|%\t\r")]
                assert wrong == [], name
    assert [cell(one) for one in ("=1+1", "+1", "-1", "@x", "|x", "\tx", "a=1", -1.5, None, True)] == [
        "'=1+1", "'+1", "'-1", "'@x", "'|x", "'\tx", "a=1", "-1.5", "", "true",
    ]  # fmt: skip


def test_duckdb_finds_the_same_verdict_inputs_in_the_bundle(files: dict[Form, Path], tmp_path: Path) -> None:
    with zipfile.ZipFile(files[Form.CSV]) as bundle:
        bundle.extractall(tmp_path)
    # Each reading stands until the next: here they come every five minutes, and none is missing.
    share = """
        WITH spot AS (
            SELECT v.date, v.channels, v.value AS told, v.target_low AS low, v.target_high AS high, r.time, r.corrected,
                   least(lead(r.time) OVER (PARTITION BY v.date, v.channels ORDER BY r.time), v."to") AS until
            FROM verdicts v JOIN readings r
              ON r.probe || '/' || r.quantity = v.channels AND r.time >= v."from" AND r.time < v."to"
            WHERE v."check" = 'hot-spot' AND v.verdict IN ('met', 'not met') AND r.flags = 0
        )
        SELECT date, any_value(told),
               sum(CASE WHEN corrected BETWEEN low AND high THEN epoch(coalesce(until, time) - time) ELSE 0 END)
               / sum(epoch(coalesce(until, time) - time))
        FROM spot GROUP BY date, channels, low, high ORDER BY date
    """
    with duckdb.connect() as connection:
        for name in ("verdicts", "readings"):
            connection.execute(f"CREATE TABLE {name} AS FROM read_csv('{tmp_path / f'{name}.csv'}', header = true)")
        found = connection.execute(share).fetchall()
        counted = connection.execute("SELECT count(*) FROM readings").fetchone()
    assert len(found) == 30
    assert {round(told) for _, told, _ in found} == {0, 1}
    for _, told, by_duckdb in found:
        assert by_duckdb == pytest.approx(told, abs=0.01)
    # The report counts whole days: the rest of the day of the move, in both enclosures, was not lived through.
    assert counted == (json.loads((tmp_path / "report.json").read_bytes())["data"]["readings"] - 3 * 288,)


def test_the_readings_of_the_bundle_are_those_that_were_stored(files: dict[Form, Path], room: Store) -> None:
    with zipfile.ZipFile(files[Form.CSV]) as bundle:
        rows = list(csv.DictReader(io.StringIO(bundle.read("readings.csv").decode())))
    assert len(rows) == 3 * (20 * 288 + 144) + 3 * (8 * 288 + 144)
    assert {row["enclosure"] for row in rows if row["time"] >= "2026-03-22T12:00"} == {"cold"}
    assert rows[0] == {
        "time": "2026-03-02T00:00:00.000Z", "probe": "well-spot", "quantity": "surface_temperature",
        "enclosure": "well", "zone": "basking", "value": rows[0]["value"], "corrected": rows[0]["value"], "flags": "0",
    }  # fmt: skip
    assert room.is_sqlite


@pytest.mark.parametrize("form", [Form.JSON, Form.HTML, Form.PDF, Form.CSV])
def test_verify_says_that_a_report_matches_and_catches_any_changed_byte(
    room: Store, files: dict[Form, Path], tmp_path: Path, form: Form
) -> None:
    found = verify(room, facts_of(room), files[form], NOW)
    assert (found.matches, found.sentences[0].endswith("made anew.")) == (True, True)
    whole = files[form].read_bytes()
    for share in (0.6,):
        changed = bytearray(whole)
        changed[int(len(whole) * share)] ^= 1
        path = tmp_path / f"changed.{form}"
        path.write_bytes(changed)
        try:
            again = verify(room, facts_of(room), path, NOW)
        except BadUse:
            continue  # so changed that it is no report any more: said in a sentence
        assert not again.matches
        assert "changed" in again.sentences[0]


def test_a_report_in_fahrenheit_keeps_its_data_in_celsius_and_verifies(
    room: Store, made: Made, files: dict[Form, Path], tmp_path: Path
) -> None:
    path = tmp_path / "fahrenheit.html"
    path.write_bytes(b"".join(write(room, facts_of(room), made, Form.HTML, degrees="F")))
    page = path.read_text("utf-8")
    shown, data = page.split('<script type="application/json"')[0], page.split('id="look-back">')[1]
    assert verify(room, facts_of(room), path, NOW).matches
    # The dead lamp: 24.0 °C at the median, where it had been 34; the spread of a difference has no zero.
    rows = json.loads(files[Form.JSON].read_bytes())["compared"]["before"]
    drop = next(row for row in rows if row["check"] == "night-drop")
    assert f">{1.8 * round(drop['own'], 1):.1f} °F<" in shown
    spot = next(row for row in rows if row["check"] == "hot-spot-peak")
    assert f"{1.8 * round(spot['own'], 1) + 32:.1f} °F at the median" in shown
    assert f"(usual spread {1.8 * round(spot['other_spread'], 1):.1f} °F)" in shown
    assert ">°F</text>" in shown
    assert ">°C</text>" not in shown
    assert "°C" in data
    text = b"".join(write(room, facts_of(room), made, Form.TEXT, degrees="F")).decode()
    assert f"{1.8 * round(spot['own'], 1) + 32:.1f} °F at the median" in " ".join(text.split())
    for form in (Form.JSON, Form.CSV):
        assert b"".join(write(room, facts_of(room), made, form, degrees="F")) == files[form].read_bytes()


def test_verify_tells_a_changed_file_from_changed_data(tmp_path: Path, room: Store, files: dict[Form, Path]) -> None:
    forged = tmp_path / "forged.json"
    forged.write_bytes(files[Form.JSON].read_bytes().replace(b'"verdict": "not met"', b'"verdict": "met"', 3))
    said = " ".join(verify(room, facts_of(room), forged, NOW).sentences)
    assert "was changed: the data still give the fingerprint that it states" in said
    assert "Stated otherwise than their own fingerprint gives: 2026-03-22 in cold" in said
    store = sqlite_store(tmp_path / "other.db")
    furnish_animals(store)
    put(store, [(4, ms(24, 10) + 1, 39.0, CLOCK)])
    said = " ".join(verify(store, facts_of(store), files[Form.JSON], NOW).sentences)
    store.close()
    assert "Either the file was changed, or data or facts were since" in said
    assert "Assessed from other readings or facts: 2026-03-26 in cold" in said


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"%PDF-1.7 nothing", b"PK\x03\x04 torn", b"<html></html>", b"\xff\xfe"]
)
def test_what_is_no_report_is_refused_in_a_sentence(room: Store, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "what"
    path.write_bytes(content)
    with pytest.raises(BadUse, match="what: "):
        verify(room, facts_of(room), path, NOW)


def test_a_name_of_any_script_stands_in_every_form(tmp_path: Path) -> None:
    name = 'Ámbár 琥珀 🦎 <b>&"=1+1'
    store = sqlite_store(tmp_path / "wardian.db")
    furnish_animals(store)
    with store.write() as session:
        rename_animal(session, 1, name, "Lacerta exempli", "the keeper", instant(31))
    made = make(store, facts_of(store), Question("animal", name, "2026-03-28", "2026-03-30"), NOW)
    pieces = {form: b"".join(write(store, facts_of(store), made, form)) for form in Form}
    store.close()
    assert name in pieces[Form.TEXT].decode()
    assert "Ámbár 琥珀 🦎 &lt;b&gt;&amp;" in pieces[Form.HTML].decode()
    assert found_in(pieces[Form.PDF]) == key_of(made.report, "a4")
    title = pypdf.PdfReader(io.BytesIO(pieces[Form.PDF])).metadata.title
    assert title in {f"Look-back: {name}, Lacerta exempli", spelled(f"Look-back: {name}, Lacerta exempli")}
    assert spelled("琥 é") == "[U+7425] é"
    assert found_in(written(key_of(made.report)).encode()) == key_of(made.report)

"""The season's page: what it says, that it stands alone, and that nothing in a log can break it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline import dictionary
from pipeline.report import NO_SEASON
from pipeline.report.script import drawing_script, json_for_html

VOID = {"meta", "link", "br", "hr", "img", "input"}
HOSTILE = [
    "</script><script>alert(1)</script>",
    "<!--<script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 1234 * 4321 }}{% raw %}",
    "\u202egnirts\u2066",
    "]]>&amp;&#60;b&#62;",
]


class Outline(HTMLParser):
    """What a page is made of: its elements with attributes, the text of scripts and of everything else."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.styles: list[str] = []
        self.words: list[str] = []
        self.unclosed: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.unclosed.append(tag)

    def handle_endtag(self, tag):
        assert self.unclosed, f"</{tag}> without a start"
        assert self.unclosed.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data):
        if self.unclosed and self.unclosed[-1] == "script":
            self.scripts.append((self.elements[-1][1], data))
        elif self.unclosed and self.unclosed[-1] == "style":
            self.styles.append(data)
        else:
            self.words.append(data)

    def named(self, *tags: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.elements if tag in tags]

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words).replace("\u00a0", " "))

    @property
    def specs(self) -> dict[str, dict]:
        return {
            attributes["id"]: json.loads(text)
            for attributes, text in self.scripts
            if attributes.get("type") == "application/json" and attributes["id"].startswith("spec-")
        }


@pytest.fixture(scope="module")
def outline(simulated):
    return Outline(simulated.html)


SECTIONS = [
    "The season at a glance",
    "Where the alcohol went",
    "Do the litres add up?",
    "Yield",
    "Cuts and strengths",
    "Casks",
    "Flavour: what the panel can and cannot tell",
    "Difference tests",
    "What made the difference",
    "What to run next",
    "Every batch",
    "Problems found",
    "How each number is computed",
    "Cautions, law and licence",
]


def test_the_page_answers_first_and_says_how_and_with_what_care(simulated, outline):
    titles = re.findall(r'<h2 id="[a-z]+-title">([^<]+)</h2>', simulated.html)
    assert titles == SECTIONS


def test_the_glance_leads_to_each_answer(simulated):
    glance = simulated.html.split('<section id="glance"')[1].split("</section>")[0]
    led_to = re.findall(r'<li><a href="#([a-z]+)">[^<]+</a>: ([^<]+)</li>', glance)
    assert [anchor for anchor, _ in led_to] == [
        "difference",
        "next",
        "flow",
        "cuts",
        "casks",
        "flavour",
        "problems",
    ]
    assert all(len(answer) > 20 for _, answer in led_to)


def test_a_point_of_the_flavour_map_leads_to_its_sample(simulated, outline):
    ids = {attributes["id"] for _, attributes in outline.elements if "id" in attributes}
    maps = [spec for name, spec in outline.specs.items() if name.startswith("spec-map-scores")]
    assert maps
    text = json.dumps(maps)
    leads = set(re.findall(r'"#(sample-[a-z0-9-]+)"', text))
    assert len(leads) >= 8
    assert leads <= ids
    entries = simulated.html.split("Every sample: what it was")[1].split("</details>")[0]
    assert re.search(r"Scores in [^:]+: overall \d", entries)


def test_a_page_is_well_formed_and_can_be_read_without_eyes(outline):
    assert outline.unclosed == []
    assert outline.named("html")[0]["lang"] == "en"
    ids = [attributes["id"] for _, attributes in outline.elements if "id" in attributes]
    assert len(ids) == len(set(ids)), "every id is used once"
    anchors = {attributes["href"] for attributes in outline.named("a")}
    assert anchors <= {f"#{name}" for name in ids}
    charts = [a for a in outline.named("div") if a.get("class") == "chart"]
    assert len(charts) >= 8
    assert all(a["role"] == "img" and len(a["aria-label"]) > 20 for a in charts)
    assert len(outline.named("caption")) == len(outline.named("table"))
    assert all(a.get("scope") in {"row", "col"} for a in outline.named("th"))
    headings = [int(tag[1]) for tag, _ in outline.elements if re.fullmatch("h[1-6]", tag)]
    assert headings[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(headings)), "no heading level is skipped"


def test_every_chart_has_a_table_of_its_figures(outline):
    assert len(outline.named("table")) >= 10
    assert len(outline.named("details")) >= 8


def test_nothing_points_outside_the_file(simulated, outline):
    for tag, attributes in outline.elements:
        assert "src" not in attributes, tag
        assert (attributes.get("href") or "#").startswith("#"), (tag, attributes)
        assert not any(name.startswith("on") for name in attributes), (tag, attributes)
        assert "style" not in attributes, f"{tag}: an inline style, which the policy forbids"
    assert not outline.named("link", "iframe", "object", "embed", "base", "form")
    assert "@import" not in "".join(outline.styles)
    assert "url(" not in "".join(outline.styles)
    assert '"url":' not in json.dumps(list(outline.specs.values()))


def test_the_policy_allows_the_page_s_own_script_and_style_and_nothing_else(outline):
    policy = next(a["content"] for a in outline.named("meta") if "http-equiv" in a)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    code = [text for attributes, text in outline.scripts if "type" not in attributes]
    assert len(code) == 1, "one script, the bundle and the drawing code together"
    for name, text in (("script-src", code[0]), ("style-src", outline.styles[0])):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[name] == f"'sha256-{digest}'"


def test_the_script_is_one_function_and_ends_no_element():
    script = drawing_script()
    assert "</script" not in script.lower()
    assert "<!--" not in script
    code = script[script.index("*/") + 2 :].strip()
    assert code.startswith("(function () {")
    assert code.endswith("})();")


def test_the_same_logs_give_the_same_bytes(make_pages, batch_rows):
    rows = "".join(batch_rows(f"B{n}", f"2025-03-{n:02d}") for n in range(1, 4))
    assert make_pages(rows).paths[0].read_bytes() == make_pages(rows).paths[0].read_bytes()


def test_the_page_holds_no_clock_time_and_no_place_of_this_machine(simulated):
    assert str(simulated.out) not in simulated.html
    assert str(Path.home()) not in simulated.html


def test_rows_in_are_used_plus_set_aside_and_files_carry_their_checksums(simulated, outline):
    totals = simulated.con.execute(
        "select sum(rows_in), sum(rows_used), sum(rows_set_aside), count(*) from raw.file"
    ).fetchall()[0]
    assert totals[0] == totals[1] + totals[2]
    assert f"{totals[0]:,} rows in = {totals[1]:,} used + {totals[2]:,} set aside" in outline.text
    for (sha256,) in simulated.con.execute("select sha256 from raw.file").fetchall():
        assert sha256 in outline.text


def test_figures_on_the_page_are_those_of_the_tables(simulated, outline):
    grain, yielded, batches = simulated.con.execute(
        "select grain_kg, yield_lpa_per_kg, batches from metric.season"
    ).fetchall()[0]
    assert f"{grain:,.0f} kg of grain" in outline.text
    assert f"Yield: {yielded:.3f} LPA per kg" in outline.text
    assert f"{batches} batches between" in outline.text


def test_every_problem_is_listed_with_its_place_and_how_to_mend_it(make_pages, batch_rows):
    rows = batch_rows("B1").replace("1.004", "1.O04")
    page = make_pages(rows)
    outline = Outline(page.html)
    found = page.con.execute("select file, line, found, expected, mend from problem.row").fetchall()
    assert any(row[2] and "1.O04" in row[2] for row in found)
    for file, line, what, expected, mend in found:
        for part in (file, str(line), what, expected, mend):
            assert part is None or re.sub(r"\s+", " ", part) in outline.text, part
    assert "(!)" in outline.text, "the batch is marked wherever it is named"
    assert "not measured" in outline.text


def test_each_figure_that_a_problem_touches_is_marked_on_its_own_cell(make_pages, batch_rows):
    rows = batch_rows("B1") + batch_rows("B2", "2025-03-08").replace("14,,71,62", "14,,7l,62")
    page = make_pages(rows)
    mark = re.compile(
        r'<td class="([^"]*)">([^<]*) <a class="flag" href="#problems" title="(touched by [^"]*)">'
    )
    tables = re.findall(r"<table.*?</table>", page.html, re.S)
    (mash,) = (table for table in tables if "<caption>From grain to wash" in table)
    (table,) = (table for table in tables if "<caption>From wash to spirit" in table)
    assert len(mark.findall(table)) >= 5
    lines = [row for row in re.findall(r"<tr>.*?</tr>", table, re.S) if "<bdi>B" in row]
    assert len(lines) == 2
    for row in lines:
        found = mark.findall(row)
        assert bool(found) == ("<bdi>B2</bdi>" in row)
        # The hearts' strength could not be read: what it goes into is not measured, and marked so.
        assert all(text == "not measured" for _, text, _ in found)
    assert not mark.search(mash)
    (runs,) = (table for table in tables if "<caption>Spirit runs" in table)
    of_runs = {name: row for row in runs.split("<tr>") for name in ("B1", "B2") if name in row}
    marked = {name: bool(mark.search(row)) for name, row in of_runs.items()}
    assert marked == {"B1": False, "B2": True}, "the run of the jar is marked, too"
    assert "A figure marked (!) is worked out from" in Outline(page.html).text


def test_hostile_text_stays_text(make_pages, batch_rows):
    rows = "".join(
        batch_rows(text, f"2025-03-{n:02d}", recipe=f"{text} bill", note=text)
        for n, text in enumerate(HOSTILE, start=1)
    )
    page = make_pages(rows)
    outline = Outline(page.html)
    assert outline.unclosed == []
    assert len([a for a, _ in outline.scripts if "type" not in a]) == 1
    assert not outline.named("img", "b")
    assert "alert(1)" in outline.text, "the name is there to be read"
    assert "{{ 1234 * 4321 }}" in outline.text, "no template in a cell is run"
    assert "5332114" not in page.html
    assert "\u202e" not in page.html, "text cannot turn its own direction"
    assert outline.specs, "the charts' data survive"
    for spec in outline.specs.values():
        assert spec["$schema"].startswith("https://vega.github.io/schema/vega-lite/")


def test_hostile_names_of_files_casks_samples_and_tasters_stay_text(make_pages, batch_rows):
    header = "batch,when,step,run,item,cut,source,lot,vessel,mass,volume,gravity,strength,spout,temperature,"
    log = f"{header}minutes,note\n" + batch_rows("B1").replace("1.004", "1.O04")
    names = [text.replace('"', '""') for text in HOSTILE]
    tasters = ["P1", *names[:3]]
    casks = "".join(f'"{name}",2025-03-02,fill,B1 hearts,1,60,oak,10\n' for name in names)
    sheet = "".join(
        f'S1,2025-04-01,"{taster}","{name}","{name}",{4 + (place + number) % 3}\n'
        for place, taster in enumerate(tasters)
        for number, name in enumerate(names)
    )
    page = make_pages(
        files={
            "{{ 7 }}<img src=x onerror=alert(2)>\u202e.csv": log,
            "casks.csv": f"cask,when,step,source,volume,strength,wood,capacity\n{casks}",
            "sheet.csv": f"session,when,assessor,sample,cask,overall\n{sheet}",
        }
    )
    outline = Outline(page.html)
    assert outline.unclosed == []
    assert len([a for a, _ in outline.scripts if "type" not in a]) == 1
    assert not outline.named("img", "b")
    assert "\u202e" not in page.html
    assert "alert(2)" in outline.text, "the file is named beside its problem"
    assert "{{ 1234 * 4321 }}" in outline.text, "casks and samples are named"
    assert "5332114" not in page.html
    assert outline.specs, "the charts' data survive"


@pytest.mark.parametrize("text", HOSTILE)
def test_json_in_a_page_reads_back_and_cannot_end_its_element(text):
    safe = str(json_for_html({"name": text}))
    assert "<" not in safe
    assert json.loads(safe) == {"name": text}


def test_two_batches_are_too_few_to_compare_and_the_page_says_so(make_pages, batch_rows):
    rows = batch_rows("B1", "2025-03-01", "Rye") + batch_rows("B2", "2025-03-08", "Wheat")
    text = Outline(make_pages(rows).html).text
    assert "2 batches between 1 March 2025 and 8 March 2025" in text
    assert "Too few batches to ask whether the grain bill made a difference" in text
    assert "gave more than" not in text


def test_two_batches_give_no_interval_and_the_page_says_why(make_pages, batch_rows):
    rows = batch_rows("B1") + batch_rows("B2", "2025-03-08").replace("14,,71,62", "13,,71,62")
    page = make_pages(rows).html
    text = Outline(page).text
    assert "2 batches, which cannot tell how far yields scatter" in text
    assert "LPA per kg (2 batches, too few for an interval)" in text
    table = page[page.index("Yield by grain bill (") :]
    assert table[: table.index("</table>")].count("too few batches") == 2
    assert "95 % interval −" not in text


def test_one_batch_makes_a_page(make_pages, batch_rows):
    page = make_pages(batch_rows("B1"))
    text = Outline(page.html).text
    assert page.paths == [page.out / "2025" / "index.html"]
    assert "1 batch on 1 March 2025" in text
    assert "nothing can be said about how it varies" in text
    assert "No cask was filled this season." in text
    assert "No scores were logged this season." in text


def test_a_batch_with_grain_alone_reads_not_measured_and_never_zero(make_pages, batch_rows):
    rows = "\n".join(line for line in batch_rows("B1").splitlines() if ",grain," in line) + "\n"
    text = Outline(make_pages(rows).html).text
    assert "60.0 kg of grain" in text
    assert "Yield: not measured for any batch." in text
    assert "No distillation was logged." in text
    assert " 0.00 LPA" not in text


def test_no_usable_file_gives_a_page_of_problems(make_pages):
    page = make_pages(files={"odd.csv": "this,is,no,log\n1,2,3,4\n"})
    text = Outline(page.html).text
    assert page.paths == [page.out / "no-season" / "index.html"]
    assert NO_SEASON in text
    assert "odd.csv" in text
    assert "Cautions, law and licence" in text


def test_no_file_at_all_gives_no_page(make_pages):
    assert make_pages().paths == []


def test_a_chart_that_leaves_points_off_says_how_many(make_pages, batch_rows, monkeypatch):
    monkeypatch.setattr("pipeline.report.shape.MOST_POINTS_DRAWN", 2)
    rows = "".join(batch_rows(f"B{n}", f"2025-03-{n:02d}") for n in range(1, 4))
    outline = Outline(make_pages(rows).html)
    assert "The last 2 of 3 batches are drawn." in outline.text
    points = [row for rows in outline.specs["spec-yield-by-batch"]["datasets"].values() for row in rows]
    assert [row["batch"] for row in points if "batch" in row] == ["B2", "B3"]


def test_a_long_table_says_what_it_leaves_off(make_pages, batch_rows, monkeypatch):
    monkeypatch.setattr("pipeline.report.blocks.MOST_ROWS", 2)
    rows = "".join(batch_rows(f"B{n}", f"2025-03-{n:02d}") for n in range(1, 4))
    assert "The first 2 of 3 rows; the database holds them all." in Outline(make_pages(rows).html).text


def test_two_seasons_have_a_page_each_with_their_own_batches(make_pages, batch_rows):
    page = make_pages(batch_rows("OLD1", "2024-05-01") + batch_rows("NEW1", "2025-05-01"))
    assert [path.parent.name for path in page.paths] == ["2024", "2025"]
    old, new = (Outline(path.read_text(encoding="utf-8")).text for path in page.paths)
    assert "OLD1" in old
    assert "NEW1" not in old
    assert "NEW1" in new
    assert "OLD1" not in new


CAUTIONS = (
    "never taste",
    "methanol",
    "vapour",
    "never be sealed",
    "scalding",
    "gloves",
    "no driving",
    "licence",
    "no statutory record",
)


def test_cautions_are_on_every_page_even_without_a_batch(make_pages):
    text = Outline(make_pages(files={"odd.csv": "this,is,no,log\n1,2,3,4\n"}).html).text.lower()
    assert [words for words in CAUTIONS if words not in text] == []


def test_every_column_shown_is_explained(outline, simulated):
    for (name,) in simulated.con.execute(
        "select column_name from duckdb_columns() where schema_name = 'metric' and table_name = 'batch' "
        "and column_name in ('yield_lpa_per_kg', 'mash_efficiency_frac', 'net_spirit_lpa')"
    ).fetchall():
        meaning = re.sub(r"\s+", " ", dictionary.column(name).meaning)
        assert meaning in outline.text, name


def test_a_column_that_no_row_has_is_left_off_and_named(make_pages, batch_rows):
    outline = Outline(make_pages(batch_rows("B1")).html)
    assert "No row has a value for: " in outline.text
    assert "Cost per LPA" not in outline.text.split("Every batch", 2)[-1].split("Problems found")[0]


def test_a_whole_batch_gives_no_problem_and_the_page_says_so(make_pages, batch_rows):
    text = Outline(make_pages(batch_rows("B1")).html).text
    assert "No problem was found in the logs." in text
    assert "14 rows in = 14 used + 0 set aside, over 1 file." in text

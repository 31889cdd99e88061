"""The logs as files: format, units, order in time, readings against the truth, planted mistakes."""

import csv
import json
import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline import science
from pipeline.simulate import (
    HONEST_MISTAKES,
    MISTAKE_KINDS,
    MistakeOrder,
    season_pages,
    season_truth,
    simulate_season,
    write_season,
)
from pipeline.simulate.instruments import Instruments
from pipeline.simulate.scenario import TIED_RECIPE

SAMPLE_LOGS = Path(__file__).parents[2] / "sample_logs"
SAMPLE_BATCHES, SAMPLE_SEED = 48, 2025

# What each step cannot do without, as log format 1 has it (an unmeasured jar may lack volume or strength).
NEEDS = {
    "recipe": ["item"],
    "grain": ["item", "mass"],
    "sugar": ["item", "mass"],
    "mash": ["temperature", "minutes"],
    "sparge": ["volume"],
    "runnings": ["gravity"],
    "wort": ["volume", "gravity"],
    "yeast": ["item"],
    "wash": ["gravity"],
    "charge": ["run", "item", "volume", "vessel"],
    "collect": ["run", "cut"],
    "residue": ["run", "volume"],
    "dilute": ["source", "volume"],
    "gauge": ["source", "volume", "strength"],
    "discard": ["source"],
}
BATCH_COLUMNS = {
    *("batch", "when", "step", "run", "item", "cut", "source", "lot", "vessel", "by", "mass", "volume"),
    *("gravity", "strength", "spout", "temperature", "kettle", "vapour", "barometer", "minutes", "ph"),
    *("price", "note"),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A written season with its mistakes."""
    target = tmp_path_factory.mktemp("season")
    write_season(simulate_season(24, 41, mistakes=HONEST_MISTAKES), target)
    return target


def read_csv(path: Path) -> list[dict[str, str]]:
    """Rows of a written log by plain column name, read with the standard library alone."""
    raw = path.read_bytes()
    encoding = "cp1252" if b"\xb0" in raw and b"\xc2\xb0" not in raw else "utf-8-sig"
    lines = [line for line in raw.decode(encoding).splitlines() if not line.startswith("#")]
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    header, *rows = csv.reader(lines, delimiter=delimiter)
    names = [name.split(" [")[0].lower() for name in header]
    assert all(len(row) == len(names) for row in rows), path.name
    return [dict(zip(names, row, strict=True)) for row in rows]


def batch_files(folder: Path) -> list[Path]:
    return sorted((folder / "batches").glob("*.csv"))


def test_every_batch_has_its_file_and_every_row_what_its_step_needs(folder):
    files = batch_files(folder)
    assert [path.stem for path in files] == [f"G{number:02d}" for number in range(1, 25)]
    for path in files:
        for row in read_csv(path):
            assert set(row) <= BATCH_COLUMNS, path.name
            assert row.get("batch", path.stem) == path.stem
            missing = [name for name in NEEDS[row["step"]] if not row.get(name)]
            assert not missing, f"{path.name}: {row['step']} without {missing}"


def test_rows_stand_in_the_order_of_time(folder):
    for path in [*batch_files(folder), folder / "casks.csv"]:
        times = [datetime.fromisoformat(row["when"]) for row in read_csv(path) if row["when"]]
        assert times == sorted(times), path.name


def test_no_lot_is_drawn_before_it_is_filled_nor_beyond_what_it_held(exact_season):
    """Follows every lot by volume and strength through the events themselves, in time order."""
    events = sorted([*exact_season.batch_events, *exact_season.cask_events], key=lambda event: event.when)
    held: dict[str, float] = {}
    for event in events:
        lpa = event.volume_l * event.strength_pct_vol / 100.0
        if event.step == "collect" and not math.isnan(lpa):
            lot = event.lot or f"{event.batch} {event.cut}"
            held[lot] = held.get(lot, 0.0) + lpa
        draws = {"charge": event.item in ("low wines", "feints"), "fill": True}.get(event.step, False)
        if draws:
            lot = event.source or f"{event.batch} low wines"
            assert lot in held, f"{lot} drawn at {event.when} before it was filled"
            held[lot] -= lpa
    unmeasured = {run.plan.batch for run in exact_season.runs if run.plan.is_careless}
    careful = {lot: left for lot, left in held.items() if lot.split()[0] not in unmeasured | {"feints"}}
    assert careful
    assert min(careful.values()) > -1e-9


def test_the_hands_differ_in_units_marks_and_encodings(folder):
    raw = {path.name: path.read_bytes() for path in batch_files(folder)}
    heads = {name: content.split(b"\n")[0] for name, content in raw.items()}
    assert any(content.startswith(b"\xef\xbb\xbf") for content in raw.values())
    assert any(b"Mass [lb]" in head and b"Strength [proof]" in head for head in heads.values())
    assert any(b"gravity [P]" in head and b";" in head for head in heads.values())
    assert any(b" mL" in content and b" kg" in content for content in raw.values())
    assert sum(b"\xb0" in content and b"\xc2\xb0" not in content for content in raw.values()) == 1


def test_some_jars_are_not_measured_and_only_in_careless_batches(season):
    careless = {run.plan.batch for run in season.runs if run.plan.is_careless}
    blank = {
        event.batch
        for event in season.batch_events
        if event.step == "collect" and (math.isnan(event.volume_l) or math.isnan(event.strength_pct_vol))
    }
    assert blank == careless
    assert len(careless) == round(0.12 * 24)


def test_readings_without_error_correct_back_to_the_truth(exact_season):
    pairs = list(zip(exact_season.batch_events, exact_season.batch_readings, strict=True))
    jars = [(true, read) for true, read in pairs if true.step == "collect" and true.is_read_warm]
    reading = np.array([read.strength_pct_vol for _, read in jars])
    celsius = np.array([read.temperature_c for _, read in jars])
    true = np.array([event.strength_pct_vol for event, _ in jars])
    np.testing.assert_allclose(science.abv_from_reading(reading, celsius), true, atol=1e-8)
    assert float(np.nanmax(np.abs(reading - true))) > 0.5, "some were read warm"
    volume = np.array([read.volume_l for _, read in jars])
    at_20c = science.volume_at_20c(volume, true, celsius)
    is_whole = ~np.isnan(true)
    wanted = np.array([event.volume_l for event, _ in jars])
    np.testing.assert_allclose(np.asarray(at_20c)[is_whole], wanted[is_whole], rtol=1e-9)
    worts = [(event, read) for event, read in pairs if event.step == "wort" and event.is_read_warm]
    shown = np.array([read.gravity_sg for _, read in worts])
    warm = np.array([read.temperature_c for _, read in worts])
    gravity = science.sg_from_reading(shown, warm, 20.0)
    np.testing.assert_allclose(gravity, [event.gravity_sg for event, _ in worts], atol=1e-9)


def test_errors_have_the_spread_of_the_instruments(season):
    stated = Instruments()
    pairs = list(zip(season.batch_events, season.batch_readings, strict=True))

    def z(values: list[float]) -> tuple[float, float, int]:
        known = np.array([value for value in values if not math.isnan(value)])
        return float(known.mean()), float(known.std()), len(known)

    cold = [(true, read) for true, read in pairs if not true.is_read_warm]
    for name, values in {
        "mass": [(r.mass_kg / t.mass_kg - 1.0) / stated.mass_frac for t, r in pairs],
        "volume": [(r.volume_l / t.volume_l - 1.0) / stated.volume_frac for t, r in cold],
        "gravity": [(r.gravity_sg - t.gravity_sg) / stated.gravity_sg for t, r in cold],
        "strength": [
            (r.strength_pct_vol - t.strength_pct_vol) / stated.strength_pct_vol
            for t, r in cold
            if t.strength_pct_vol > 5.0
        ],
        "temperature": [(r.temperature_c - t.temperature_c) / stated.temperature_c for t, r in pairs],
    }.items():
        mean, spread, number = z(values)
        # Four standard errors of a mean and of a spread.
        assert number > 60, name
        assert abs(mean) < 4.0 / math.sqrt(number), name
        assert abs(spread - 1.0) < 4.0 / math.sqrt(2.0 * number), name


def test_scores_stay_on_their_scale_and_the_sheets_vary_in_form(folder):
    sheets = sorted((folder / "tastings").glob("*.csv"))
    assert any(path.stem.endswith("_key") for path in sheets)
    heads = [path.read_text(encoding="utf-8").splitlines()[0] for path in sheets]
    assert any("attribute,score" in head for head in heads)
    assert any("fruit [0-15]" in head for head in heads)
    for path, head in zip(sheets, heads, strict=True):
        top = 15.0 if "[0-15]" in head else 10.0
        for row in read_csv(path):
            texts = [row.get("score"), *(row.get(name) for name in ("fruit", "spice", "overall"))]
            assert all(0.0 <= float(text) <= top for text in texts if text), path.name


def test_six_assessors_and_one_who_uses_half_the_scale(season):
    assessors = season_truth(season)["assessors"]
    assert len(assessors) == 6
    assert min(item["stretch"] for item in assessors.values()) == 0.5


@pytest.mark.parametrize("kind", sorted(MISTAKE_KINDS))
def test_a_planted_mistake_is_one_cell_and_is_in_the_truth_only(kind, tmp_path):
    clean, spoilt = tmp_path / "clean", tmp_path / "spoilt"
    write_season(simulate_season(12, 5), clean)
    write_season(simulate_season(12, 5, mistakes=[MistakeOrder(kind)]), spoilt)
    [planted] = json.loads((spoilt / "truth.json").read_text(encoding="utf-8"))["mistakes"]
    differing = [
        path.relative_to(clean).as_posix()
        for path in sorted(clean.rglob("*.csv"))
        if path.read_bytes() != (spoilt / path.relative_to(clean)).read_bytes()
    ]
    assert differing == [planted["file"]]
    before = (clean / planted["file"]).read_bytes().splitlines()
    after = (spoilt / planted["file"]).read_bytes().splitlines()
    at = planted["line"] - 1
    if kind == "row twice":
        assert after == [*before[:at], before[at - 1], *before[at:]]
    else:
        assert [i for i, pair in enumerate(zip(before, after, strict=True)) if pair[0] != pair[1]] == [at]
        assert planted["written"].encode() in after[at]
        assert planted["instead_of"].encode() in before[at]
        assert planted["written"] != planted["instead_of"]


def test_a_mistake_can_be_ordered_for_one_batch_and_run(tmp_path):
    order = MistakeOrder("wrong digit", batch="G03", step="charge", run="spirit 1", column="volume")
    write_season(simulate_season(4, 7, mistakes=[order]), tmp_path)
    [planted] = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))["mistakes"]
    line = (tmp_path / planted["file"]).read_bytes().splitlines()[planted["line"] - 1]
    assert planted["batch"] == "G03"
    assert b"charge" in line
    assert b"spirit 1" in line


def test_a_mistake_that_fits_nowhere_or_has_no_kind_is_refused(tmp_path):
    nowhere = MistakeOrder("letter O", batch="G99")
    with pytest.raises(ValueError, match="no row of the logs takes the mistake 'letter O'"):
        write_season(simulate_season(1, 1, mistakes=[nowhere]), tmp_path)
    with pytest.raises(ValueError, match="'coffee stain' is no kind of mistake"):
        write_season(simulate_season(1, 1, mistakes=[MistakeOrder("coffee stain")]), tmp_path)


def test_the_shortest_season_writes_what_there_is(tmp_path):
    written = write_season(simulate_season(1, 1, mistakes=HONEST_MISTAKES), tmp_path)
    names = {path.name for path in written}
    assert {"G01.csv", "ingredients.csv", "season.toml", "truth.json"} <= names


def test_sample_logs_are_this_season_to_the_byte(tmp_path):
    """README of sample_logs: the command makes the same files again."""
    season = simulate_season(SAMPLE_BATCHES, SAMPLE_SEED, mistakes=HONEST_MISTAKES)
    written = {path.relative_to(tmp_path): path for path in write_season(season, tmp_path)}
    kept = {path.relative_to(SAMPLE_LOGS): path for path in SAMPLE_LOGS.rglob("*") if path.is_file()}
    apart = {Path("README.md"), Path("datapackage.json")}
    assert set(kept) - apart == set(written)
    for name, path in written.items():
        assert path.read_bytes() == kept[name].read_bytes(), str(name)


def test_sample_logs_readme_gives_the_command_and_no_mistake_away():
    readme = (SAMPLE_LOGS / "README.md").read_text(encoding="utf-8")
    assert f"stillseason simulate --batches {SAMPLE_BATCHES} --seed {SAMPLE_SEED}" in readme
    assert "invented" in readme.splitlines()[0]
    truth = json.loads((SAMPLE_LOGS / "truth.json").read_text(encoding="utf-8"))
    planted = truth["mistakes"]
    assert [entry["kind"] for entry in planted] == [order.kind for order in HONEST_MISTAKES]
    for entry in planted:
        assert entry["instead_of"] not in readme
        raw = (SAMPLE_LOGS / entry["file"]).read_bytes()
        assert entry["written"].encode() in raw.splitlines()[entry["line"] - 1]


def test_sample_logs_hold_the_variety_they_promise():
    truth = json.loads((SAMPLE_LOGS / "truth.json").read_text(encoding="utf-8"))
    batches = truth["batches"].values()
    grains = {name for batch in batches for name in batch["grain_bill_kg"]}
    assert len(grains) >= 7
    assert {"raw barley", "raw rye", "ground maize"} <= grains
    assert any(batch["sugar_kg"] > 0 for batch in batches)
    assert len({batch["yeast"] for batch in batches}) == 4
    woods = {cask["wood"] for cask in truth["casks"].values()}
    assert {"oak", "chestnut", "acacia", "glass jar with oak staves"} <= woods
    assert any(len(cask["sources_lpa"]) == 1 for cask in truth["casks"].values())
    assert any(len(cask["sources_lpa"]) > 1 for cask in truth["casks"].values())
    assert sum(batch["recipe"] == TIED_RECIPE for batch in batches) == 6


def test_pages_are_the_same_whether_or_not_they_are_written(season):
    first, second = season_pages(season), season_pages(season)
    assert [page.text() for page in first] == [page.text() for page in second]

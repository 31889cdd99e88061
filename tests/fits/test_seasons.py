"""Whole seasons: a small calibration, the batches proposed next, and the sample with its planted truths."""

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.fits.calibrate import BEGIN, END, OWN, Tally, calibrate, table_text, write_into
from pipeline.fits.steps_ahead import CHANCE, HABIT, OURS, mean_with_interval, regrets_of
from pipeline.fits.worlds import RESPONSES, WORLDS, invent_season
from pipeline.logs import read_logs
from pipeline.report.blocks import Figure, Figures, Folded, Paragraphs, Points, Table
from pipeline.report.data import read_season
from pipeline.report.sections.difference import what_made_the_difference
from pipeline.report.sections.next_batches import what_to_run_next
from pipeline.settings import Settings
from pipeline.warehouse import fill_database


@pytest.fixture(scope="module")
def tally() -> Tally:
    """Forty seasons of twenty-four batches and as many empty ones; `make calibrate` runs a thousand."""
    return calibrate(24, 40)


def test_intervals_hold_the_truth(tally):
    for family in ("grain", "yeast"):
        share = tally.covered[family] / tally.answers[family]
        # Some 350 answers a family, which come in seasons: 95 % gives 90 to 99 % here.
        assert 0.90 <= share <= 0.99, f"{family}: {share:.3f} of {tally.answers[family]}"


def test_empty_seasons_stay_empty(tally):
    # At 5 % or less, six or more of forty come up less than twice in a hundred.
    assert tally.empty_claimed[OWN] <= tally.empty_gated <= 5
    assert tally.wrong_sign[OWN] <= 0.05 * tally.claims[OWN]


def test_least_squares_claims_of_empty_seasons_what_is_not_there(tally):
    # Dozens of intervals, each with one chance in twenty: most empty seasons have one clear of nought.
    assert tally.empty_claimed["least squares"] > 20
    assert tally.empty_claimed["no effect at all"] == 0


def test_effects_are_nearer_the_truth_than_by_the_plain_methods(tally):
    for method in ("least squares", "ridge", "BayesianRidge", "no effect at all"):
        assert tally.error(OWN) < tally.error(method), method
        assert tally.error(OWN, only_well_posed=True) < tally.error(method, only_well_posed=True), method


def test_every_planted_tie_is_named(tally):
    assert tally.ties == tally.ties_named == 40


def test_most_large_effects_are_found(tally):
    assert tally.real > 30
    assert tally.found[OWN] > 0.4 * tally.real


def test_batches_proposed_next_beat_habit_and_chance():
    ours = regrets_of(OURS, 8).mean()
    assert ours < regrets_of(HABIT, 8).mean()
    assert ours < regrets_of(CHANCE, 8).mean()


def test_the_interval_of_a_mean_is_the_textbook_one():
    """Student's sleep data, the ten differences, as R prints them (from memory): 1.58, 0.70 to 2.46."""
    gains = np.array([1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4])
    assert mean_with_interval(gains) == pytest.approx((1.58, 0.7001142, 2.4598858), abs=1e-6)


def test_the_true_answer_of_an_empty_season_is_nought():
    season = invent_season(24, "as simulated", np.random.default_rng(1), is_null=True)
    for place, problem in enumerate(season.problems):
        vector = np.zeros(problem.matrix.shape[1])
        vector[problem.columns_of("yeast").start] = 1.0
        vector[problem.columns_of("yeast").start + 1] = -1.0
        assert season.true_answer(place, vector, []) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("world", WORLDS)
def test_every_world_gives_whole_seasons(world):
    season = invent_season(12, world, np.random.default_rng(3))
    assert [problem.response.name for problem in season.problems] == list(RESPONSES)
    for problem in season.problems:
        grain = problem.family("grain")
        assert grain is not None
        np.testing.assert_allclose(grain.columns.sum(axis=1), 1.0)
        assert np.isfinite(problem.y).all()


def test_the_table_goes_between_its_marks(tally, tmp_path):
    page = tmp_path / "page.md"
    page.write_text(f"before\n{BEGIN}\nan earlier table\n{END}\nafter\n")
    write_into(page, table_text({24: tally}, {OURS: np.array([0.1, 0.3]), HABIT: np.array([2.0, 2.2])}, 40))
    text = page.read_text()
    assert text.startswith("before\n")
    assert text.endswith("after\n")
    assert "an earlier table" not in text
    assert "| planted ties named | 100.0 % |" in text
    assert "falls short less by 1.90 (1.90 to 1.90) than house habit" in text
    page.write_text("no marks here\n")
    with pytest.raises(ValueError, match="has no line"):
        write_into(page, "x")


@pytest.fixture(scope="module")
def sample(request):
    """The tables of the fits for the sample season."""
    folder = request.config.rootpath / "sample_logs"
    settings = Settings.find(folder)
    with duckdb.connect(":memory:") as con:
        fill_database(con, read_logs(folder, settings), settings)
        names = ("effect", "gate", "alias", "share", "next_batch", "design_level")
        tables = {name: pl.DataFrame(con.sql(f"select * from fit.{name}")) for name in names}
        yield tables | {"data": read_season(con, "2025-26")}


def said_of(sample, response, words, unit_kind="batch"):
    rows = sample["effect"].filter(
        (pl.col("response") == response) & (pl.col("contrast") == words) & (pl.col("unit_kind") == unit_kind)
    )
    assert rows.height == 1, f"{response}: {words}"
    return rows.row(0, named=True)


@pytest.mark.parametrize(
    ("response", "words", "unit_kind", "planted"),
    [
        # Planted, truth.json: fruit +1.4 for the ale yeast, so +0.93 against the mean of it and two without.
        ("score: fruit", "ale yeast against distilling yeast", "batch", 1.4),
        ("score: fruit", "ale yeast against the average yeast", "batch", 1.4 * 2 / 3),
        # Cream +4.5 per unit share of oats, flaked or malted; spice +3 per unit share of rye.
        ("score: cream", "10 points more flaked oats with oat malt, the rest scaled down", "batch", 0.45),
        ("score: spice", "10 points more raw rye, the rest scaled down", "batch", 0.27),
    ],
)
def test_planted_effects_of_the_sample_are_found(sample, response, words, unit_kind, planted):
    found = said_of(sample, response, words, unit_kind)
    assert found["verdict"] == "supported", found["sentence"]
    assert found["estimate_low"] <= planted <= found["estimate_high"], found["sentence"]


def test_chestnut_shows_in_the_casks(sample):
    found = sample["effect"].filter(
        (pl.col("response") == "score: wood")
        & pl.col("level").str.starts_with("chestnut")
        & (pl.col("contrast_kind") == "against average")
    )
    assert found["verdict"].to_list() == ["supported"]
    assert found["estimate"][0] > 0


def test_the_ale_yeast_ferments_less_far(sample):
    found = said_of(sample, "real_attenuation_frac", "ale yeast against distilling yeast")
    assert found["verdict"] == "supported"
    assert found["estimate"] < 0


def test_planted_non_effects_are_not_claimed(sample):
    effects = sample["effect"]
    nulls = effects.filter(pl.col("contrast").is_in(["distilling yeast against wine yeast"]))
    assert nulls.height >= 6
    assert "supported" not in nulls["verdict"].to_list()
    rest = effects.filter((pl.col("response") == "score: overall") & (pl.col("level") == "rest_days"))
    assert "supported" not in rest["verdict"].to_list()


def test_the_planted_confounding_is_named_and_nothing_said_of_either(sample):
    ties = sample["alias"].filter(pl.col("is_exact"))
    pairs = [{level, other} for level, other in ties.select("level", "other_level").iter_rows()]
    assert {"spelt malt", "farmhouse yeast"} in pairs
    # Yeast comes after the mash: of mash efficiency, spelt can be asked alone.
    tied = sample["effect"].filter(
        (pl.col("unit_kind") == "batch")
        & (pl.col("response") != "mash_efficiency_frac")
        & pl.col("level").is_in(["spelt malt", "farmhouse yeast"])
    )
    assert set(tied["verdict"]) == {"never apart"}


def test_proposals_of_the_sample_can_mash_and_keep_to_four_grains(sample):
    batches = sample["next_batch"]
    assert batches.group_by("response", maintain_order=True).len()["len"].to_list() == [4, 4]
    enzymes = ("distilling malt", "wheat malt", "rye malt", "spelt malt", "oat malt")
    for text in batches["composition"]:
        parts = dict(part.split(" % ")[::-1] for part in text.split(", "))
        assert sum(map(int, parts.values())) == 100
        assert len(parts) <= 4
        assert sum(int(share) for name, share in parts.items() if name in enzymes) >= 30, text


def test_the_page_names_effects_only_past_the_gate(sample):
    section = what_made_the_difference(sample["data"])
    assert section.answer[0].startswith("Grain bill made a difference to yield")
    assert section.answer[-1].endswith("never tried apart.")
    folded = [block.block for block in section.blocks if isinstance(block, Folded)]
    said = [text for block in folded if isinstance(block, Paragraphs) for text in block.texts]
    assert any(text.startswith("Ale yeast against the average yeast: fruit (new spirit) +") for text in said)
    assert not any("of it alone" in text for text in said), "what cannot be told is not listed as told"
    gates = next(block for block in section.blocks if isinstance(block, Table))
    first = [cell.text for cell in gates.rows[0]]
    assert first[0] == "yield"
    assert first[1].startswith("yes (p ")
    assert first[4] == "not asked"
    points = [text for block in section.blocks if isinstance(block, Points) for text in block.texts]
    assert any("Spelt malt was only ever used with farmhouse yeast" in text for text in points)
    assert any(text.startswith("Batch G39 came out higher in yield") for text in points), "the planted slip"
    assert any(text.startswith("48 batches can tell 15 of 16 choices") for text in points)
    assert any(text.startswith("Of the variation in yield: grain bill ") for text in points)
    assert any("within 2 % of the highest yield" in text for text in points)
    assert any(text.startswith("Which yeast comes first by yield cannot be told yet") for text in points)
    assert any(text.startswith("Not asked about: fermentation temperature") for text in points)


def test_the_charts_of_the_page_carry_the_tables_figures(sample):
    section = what_made_the_difference(sample["data"])
    figures = {block.name: block for block in section.blocks if isinstance(block, Figure)}
    for block in section.blocks:
        if isinstance(block, Figures):
            figures |= {figure.name: figure for figure in block.figures}
    assert {"effects-yield-lpa-per-kg", "explained", "trade-off", "left-out", "left-out-in-order"} <= set(
        figures
    )
    assert len(rows_of(figures["left-out-by-day"])) == len(rows_of(figures["left-out-in-order"])) == 42
    rows = rows_of(figures["effects-yield-lpa-per-kg"])
    malt = next(row for row in rows if str(row.get("words", "")).startswith("10 points more distilling malt"))
    own = said_of(sample, "yield_lpa_per_kg", "10 points more distilling malt, the rest scaled down")
    assert malt["estimate"] == pytest.approx(own["estimate"])
    assert malt["estimate_low"] == pytest.approx(own["estimate_low"])
    bars = [row for row in rows_of(figures["explained"]) if row.get("words") == "yield" and "end" in row]
    assert max(row["end"] for row in bars) == pytest.approx(1.0)
    ranked = rows_of(figures["ranking-yield-lpa-per-kg-grain-bill"])
    assert sum("observed" in row for row in ranked) == 42, "every measured batch is a point"


def test_the_page_says_what_to_run_next_with_its_cautions(sample):
    section = what_to_run_next(sample["data"])
    cards = [text for block in section.blocks if isinstance(block, Points) for text in block.texts]
    assert len(cards) == 8
    assert sum(card.startswith("A useful next try. Try ") for card in cards) == 4
    assert sum(card.startswith("Would teach most. Try ") for card in cards) == 4
    assert all("tell spelt malt from farmhouse yeast" in card for card in cards if "farmhouse" in card)
    assert sum("Little more than a guess" in card for card in cards) == 2, "the score's gates are all shut"
    text = " ".join(t for block in section.blocks if isinstance(block, Paragraphs) for t in block.texts)
    assert "local law" in text
    assert all("must be cooked" in card for card in cards if "raw rye" in card.split(" with ")[0])


def rows_of(figure):
    """Every row of data that a figure's spec carries."""
    return [row for rows in figure.spec["datasets"].values() for row in rows]


def test_tables_agree_with_each_other(sample):
    shares = sample["share"].group_by("unit_kind", "response").agg(pl.col("explained_frac").sum())
    np.testing.assert_allclose(shares["explained_frac"], 1.0, atol=1e-6)
    passed = set(sample["gate"].filter(pl.col("is_passed")).select("unit_kind", "response", "family").rows())
    claimed = sample["effect"].filter(pl.col("verdict").is_in(["supported", "leaning"]))
    assert set(claimed.select("unit_kind", "response", "family").rows()) <= passed
    grains = sample["design_level"].filter((pl.col("family") == "grain") & (pl.col("unit_kind") == "batch"))
    sums = grains.group_by("unit").agg(pl.col("share_frac").sum(), pl.col("extract_share_frac").sum())
    np.testing.assert_allclose(sums["share_frac"], 1.0, atol=1e-9)
    np.testing.assert_allclose(sums["extract_share_frac"].drop_nulls(), 1.0, atol=1e-9)

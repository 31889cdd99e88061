"""A cell or a row that was set aside leaves no figure quietly short."""

import pytest

RUN = """
    7, 2031-02-01 08:00, grain,  , pale malt,, , , 40, , , , , , ,
    7, 2031-02-01 12:00, wort,   , ,  , , , , 140, 1.062, , , , ,
    7, 2031-02-01 16:00, wash,   , ,  , , , , 140, 1.062, , , , ,
    7, 2031-02-06 16:00, wash,   , ,  , , , ,    , 1.010, , , , ,
    7, 2031-02-07 16:00, wash,   , ,  , , , ,    , 1.000, , , , ,
    7, 2031-02-10 08:00, charge, spirit, low wines, , , , , 40, , 27, , , ,
    7, 2031-02-10 09:00, collect,spirit, one,   hearts, , , , 2, , 78, , , ,
    7, 2031-02-10 10:00, collect,spirit, two,   hearts, , , , 2, , 75, , , ,
    7, 2031-02-10 11:00, collect,spirit, three, hearts, , , , 2, , 72, , , ,
    7, 2031-02-10 12:00, collect,spirit, four,  hearts, , , , 2, , 69, , , ,
    7, 2031-02-10 13:00, collect,spirit, five,  hearts, , , , 2, , 66, , , ,
    7, 2031-02-10 14:00, collect,spirit, six,   tails,  , , , 2, , 63, , , ,
"""


@pytest.fixture(scope="module")
def whole(make_shared_season):
    """The season with nothing wrong."""
    return make_shared_season(RUN)


def left_out(season) -> set[str]:
    return {row["column_name"] for row in season.rows("select column_name from metric.left_out")}


def test_a_strength_that_cannot_be_read_leaves_its_jar_a_jar(make_season):
    season = make_season(RUN.replace("2, , 72,", "2, , 72.O,"))
    jar = season.one("account.jar", batch="7", jar_no="3")
    assert jar["volume_20c_l"] == 2.0
    # Between the jars before and after it, as for a jar that was not read.
    assert (jar["strength_basis"], jar["abv_20c_pct_vol"]) == ("between neighbours", pytest.approx(72.0))
    assert {"not_a_number", "strength_between_neighbours"} <= set(season.kinds())
    assert season.one("raw.file")["rows_set_aside"] == 0


@pytest.mark.parametrize("volume", ["2O", "2 pails", "-2", "2'000'0"])
def test_a_volume_that_cannot_be_used_leaves_the_hearts_not_measured(make_season, volume):
    season = make_season(RUN.replace(", 2, , 72,", f", {volume}, , 72,"))
    assert season.one("metric.batch", batch="7")["hearts_lpa"] is None
    assert "hearts_lpa" in left_out(season)
    assert season.one("metric.run", batch="7")["jars"] == 6


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("2031-02-10 11:00, collect,spirit, three", "2031-02-31 11:00, collect,spirit, three"),
        ("2031-02-10 11:00, collect,spirit, three", "3031-02-10 11:00, collect,spirit, three"),
        ("11:00, collect,spirit, three", "11:00, colect,spirit, three"),
        ("11:00, collect,spirit, three", "11:00, ,spirit, three"),
        ("11:00, collect,spirit, three", "11:00, collect,, three"),
        ("three, hearts", "three, haerts"),
        ("2, , 72, , , ,", "2, , 72, , , , ,one too many"),
        ("2, , 72, , , ,", "2, , 72"),
        ("three, ", '"thr"ee, '),
    ],
)
def test_a_hearts_row_set_aside_leaves_the_hearts_not_measured_and_says_so(make_season, whole, good, bad):
    assert good in RUN
    season = make_season(RUN.replace(good, bad))
    file = season.one("raw.file")
    assert (file["rows_in"], file["rows_used"], file["rows_set_aside"]) == (12, 11, 1)
    batch = season.one("metric.batch", batch="7")
    assert batch["hearts_lpa"] is None
    assert batch["yield_lpa_per_kg"] is None
    assert {"hearts_lpa", "net_spirit_lpa"} <= left_out(season)
    # What the row does not touch stands.
    assert batch["grain_kg"] == 40.0
    assert batch["tails_lpa"] == pytest.approx(2 * 0.63)
    assert whole.one("metric.batch", batch="7")["hearts_lpa"] == pytest.approx(
        2 * (0.78 + 0.75 + 0.72 + 0.69 + 0.66)
    )


@pytest.mark.parametrize(
    ("good", "bad", "figure"),
    [
        ("2031-02-01 08:00, grain", "2031-02-01 28:00, grain", "grain_kg"),
        ("2031-02-10 08:00, charge", "2031-02-30 08:00, charge", "spirit_charge_lpa"),
        # The last gravity decides: the one before it is not taken for it.
        ("2031-02-07 16:00, wash", "7 Feb, wash", "final_gravity_sg"),
        (", 1.000,", ", l.00O,", "final_gravity_sg"),
        (", 1.000,", ", 1000,", "wash_lpa"),
    ],
)
def test_any_row_set_aside_leaves_what_it_belongs_to_not_measured(make_season, whole, good, bad, figure):
    assert good in RUN
    batch = make_season(RUN.replace(good, bad)).one("metric.batch", batch="7")
    assert batch[figure] is None
    assert whole.one("metric.batch", batch="7")[figure] is not None


def test_a_wort_set_aside_leaves_the_worts_sum_not_measured(make_season, whole):
    season = make_season(RUN.replace("2031-02-01 12:00, wort", "yesterday, wort"))
    assert season.one("account.wash", batch="7")["wort_extract_kg"] is None
    assert whole.one("account.wash", batch="7")["wort_extract_kg"] is not None


def test_a_strength_read_at_an_unreadable_temperature_is_not_measured(make_season):
    season = make_season(RUN.replace("2, , 72, , , ,", "2, , 72, , 2O, ,"))
    jar = season.one("account.jar", batch="7", jar_no="3")
    assert jar["volume_20c_l"] is None
    assert jar["lpa"] is None


def test_a_batch_of_which_nothing_can_be_used_is_no_batch(make_season):
    season = make_season(RUN + "    8, tomorrow, grain,  , pale malt,, , , 40, , , , , , ,\n")
    assert season.rows("select batch from metric.batch") == [{"batch": "7"}]


def test_a_cask_whose_fill_was_set_aside_has_no_fill(make_season):
    rows = """
        C1, 2031-03-01, fill,  7 hearts, 5, 60, , oak, 10
        C1, 2031-03-32, fill,  7 hearts, 4, 60, , ,
        C1, 2031-09-01, gauge, , 8.9, 59, , ,
        C2, 2031-03-01, fill,  7 hearts, 5 pails, 60, , oak, 10
    """
    season = make_season(cask=rows)
    for cask in ("C1", "C2"):
        assert season.one("metric.cask", cask=cask)["fill_lpa"] is None
    assert season.one("metric.cask", cask="C1")["last_volume_l"] == pytest.approx(8.9)


def test_the_rest_of_a_file_with_mixed_decimals_is_not_taken_for_the_whole(make_season):
    header = "batch;when;step;run;cut;volume;strength\n"
    first = header + "7;2031-02-10;collect;spirit;hearts;2.5;70\n"
    second = header + "7;2031-02-11;collect;spirit;hearts;2.5;70\n7;2031-02-11;collect;spirit;tails;1,5;40\n"
    season = make_season(files={"a.csv": first, "b.csv": second})
    assert season.one("metric.batch", batch="7")["hearts_lpa"] is None
    assert season.one("raw.file", path="b.csv")["rows_set_aside"] == 2


def test_a_price_or_an_analysis_that_cannot_be_read_is_not_made_up_for(make_season):
    lines = RUN.strip().splitlines()
    priced = [lines[0].replace("40, , , , , , ,", "40, , , , , , , 60"), *lines[1:]]
    yeast = "7, 2031-02-01 13:00, yeast, , ale yeast, , , , 1, , , , , , , {price}"
    malt = "ingredient,extract,moisture,fermentable\npale malt,{extract},4,80\n"

    def batch(price: str, extract: str) -> dict:
        rows = "\n".join([*priced, yeast.format(price=price)])
        season = make_season(rows, files={"malts.csv": malt.format(extract=extract)})
        return season.one("metric.batch", batch="7")

    good, bad = batch("5", "80"), batch("5 or so", "8O")
    assert good["cost_per_lpa"] is not None
    # 40 kg x 0.80 x (1 - 0.04).
    assert good["potential_extract_kg"] == pytest.approx(30.72)
    assert bad["cost_per_lpa"] is None, "the yeast's price is not known, so the sum is not"
    assert bad["potential_extract_kg"] is None, "the catalogue's extract does not stand in for an own one"


def test_hearts_of_no_known_run_are_nobodys_first_jar(make_season, whole):
    """Where no charge could be read there is no run at all; a jar of no known run is in none."""
    lost = "\n".join(line.replace("spirit,", ",") for line in RUN.splitlines() if "charge" not in line)
    assert make_season(lost).rows("select * from metric.run") == []
    other = lost.replace("    7, 2031-02", "    8, 2031-03").replace("2, , 78", "2, , 60")
    season = make_season(RUN + other)
    for column in ("hearts_start_pct_vol", "hearts_end_pct_vol"):
        assert season.one("metric.run", batch="7")[column] == whole.one("metric.run", batch="7")[column], (
            column
        )

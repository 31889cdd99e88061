"""Each check of a tasting sheet finds the mistake it is for, says where, and leaves a clean sheet alone."""

import pytest

from pipeline.settings import Settings, SettingsError

HEADER = "session,assessor,sample,order,fruit,spice,cream\n"
CODES = ("314", "271", "577", "161")
GIVEN = {
    "P1": ("5,3,4", "6,2,3", "4,4,5.5", "7,1,2"),
    "P2": ("6,3,5", "6.5,2,3", "4,5,5", "8,2,1"),
    "P3": ("5,2,4", "5.5,2.5,3", "5,4,5", "6,1,3"),
}
KEY = "session,sample,batch\n" + "".join(f"march,{code},B{n}\n" for n, code in enumerate(CODES))


def sheet(person: str, given=None, session: str = "march", codes=CODES, ordered: bool = True) -> str:
    scores = given or GIVEN[person]
    return "".join(
        f"{session},{person},{code},{place if ordered else ''},{own}\n"
        for place, (code, own) in enumerate(zip(codes, scores, strict=True), start=1)
    )


CLEAN = "".join(sheet(person) for person in GIVEN)
ALIKE = sheet("P4", ["5,3,3"] * 4)

BROKEN = {
    "scores_all_alike": (CLEAN + ALIKE, KEY, "sheet.csv", 14),
    "sheet_pasted_twice": (CLEAN + sheet("P2"), KEY, "sheet.csv", 14),
    "key_unmatched": (CLEAN, KEY.replace("577", "757"), "sheet.csv", 4),
    "sample_not_blind": (CLEAN.replace("161", "B3"), KEY.replace("161", "B3"), "sheet.csv", 5),
}
CHECKS = ("scores_all_alike", "sheet_pasted_twice", "key_unmatched", "sample_not_blind")


def found(season, kind: str) -> list[dict]:
    return [row for row in season.problems.to_dicts() if row["kind"] == kind]


@pytest.mark.parametrize("kind", BROKEN)
def test_the_mistake_is_found_at_its_line(make_season, kind):
    rows, key, file, line = BROKEN[kind]
    season = make_season(files={"sheet.csv": HEADER + rows, "key.csv": key})
    own = [row for row in found(season, kind) if row["file"] == file]
    assert [row["line"] for row in own] == [line], season.kinds()
    assert own[0]["expected"] in own[0]["message"]


def test_a_clean_sheet_raises_none_of_them(make_season):
    season = make_season(files={"sheet.csv": HEADER + CLEAN, "key.csv": KEY})
    assert not set(season.kinds()) & set(CHECKS)


def test_no_message_names_an_assessor(make_season):
    season = make_season(files={"sheet.csv": HEADER + CLEAN + ALIKE + sheet("P2"), "key.csv": KEY})
    texts = [row["message"] for kind in CHECKS for row in found(season, kind)]
    assert texts
    assert not [text for text in texts for name in ("P2", "P4") if name in text]


def test_a_sheet_under_another_name_is_found_and_still_counts(make_season):
    season = make_season(files={"sheet.csv": HEADER + CLEAN + sheet("P9", GIVEN["P2"]), "key.csv": KEY})
    assert [row["line"] for row in found(season, "sheet_pasted_twice")] == [14]
    assert season.one("fit.panel", attribute="fruit")["assessors"] == 4


@pytest.mark.parametrize("ordered", [True, False])
def test_a_copy_of_a_sheet_counts_once(make_season, ordered):
    rows = "".join(sheet(person, ordered=ordered) for person in GIVEN)
    files = {"sheet.csv": HEADER + rows + sheet("P2", ordered=ordered), "key.csv": KEY}
    once = make_season(files={"sheet.csv": HEADER + rows, "key.csv": KEY})
    twice = make_season(files=files)
    assert len(found(twice, "sheet_pasted_twice")) == 1
    query = "select tasted, attribute, panel_mean, panel_mean_low from fit.sample_mean order by all"
    assert twice.rows(query) == once.rows(query)


def test_repeated_glasses_with_the_same_scores_are_no_copy(make_season):
    again = sheet("P1", codes=("201", "202", "203", "204")).replace(",1,", ",5,")
    season = make_season(files={"sheet.csv": HEADER + CLEAN + again, "key.csv": KEY})
    assert not found(season, "sheet_pasted_twice")


def test_a_key_of_a_session_that_no_sheet_has_is_one_problem(make_season):
    season = make_season(files={"sheet.csv": HEADER + CLEAN, "key.csv": KEY.replace("march,", "spring,")})
    (row,) = found(season, "key_unmatched")
    assert (row["column"], row["found"]) == ("session", "spring")
    assert row["expected"] == 'the session of a tasting sheet: "march"'


def test_people_who_shared_no_sample_are_two_sets_with_names_of_their_own(make_season):
    others = "".join(
        sheet(person, given=GIVEN[name], codes=("201", "202", "203", "204"))
        for person, name in (("P7", "P1"), ("P8", "P2"), ("P9", "P3"))
    )
    season = make_season(files={"sheet.csv": HEADER + CLEAN + others})
    rows = season.rows("select distinct tasting, samples from fit.panel order by tasting")
    assert rows == [
        {"tasting": "march (part 1)", "samples": 4},
        {"tasting": "march (part 2)", "samples": 4},
    ]


def test_linked_sessions_are_named_in_the_order_of_their_days(make_season):
    head = "when," + HEADER
    april, march = (
        "".join(f"{day},{row}\n" for row in CLEAN.replace("march", name).splitlines())
        for name, day in (("april", "2026-04-02"), ("march", "2026-03-02"))
    )
    key = KEY + KEY.split("\n", 1)[1].replace("march", "april")
    season = make_season(files={"a.csv": head + april, "m.csv": head + march, "key.csv": key})
    assert season.rows("select distinct tasting from fit.panel") == [{"tasting": "march + april"}]


def test_a_sample_that_no_log_knows_is_told_once_and_where_its_name_stands(make_season):
    key = KEY.replace("batch", "cask").replace("march,271,B1", "march,271,B0")
    season = make_season(files={"sheet.csv": HEADER + CLEAN, "key.csv": key})
    rows = [(row["file"], row["line"], row["found"]) for row in found(season, "sample_unknown")]
    assert rows == [("key.csv", 2, "B0"), ("key.csv", 4, "B2"), ("key.csv", 5, "B3")]


def test_a_code_with_two_meanings_is_found(make_season):
    season = make_season(files={"sheet.csv": HEADER + CLEAN, "key.csv": KEY + "march,314,B9\n"})
    assert [row["file"] for row in found(season, "key_unmatched")] == ["key.csv"]


def test_a_distillers_own_words_go_before_the_list(make_season, tmp_path):
    settings_file = tmp_path / "season.toml"
    settings_file.write_text('[words]\nkerosene = "nail varnish"\nbutter = "butter"\n', encoding="utf-8")
    rows = "".join(f"march,P{n},314,Kerosene; Buttery\nmarch,P{n},271,butter\n" for n in range(3))
    files = {"sheet.csv": "session,assessor,sample,descriptors,fruit\n" + rows.replace("\n", ",5\n")}
    own = make_season(files=files, settings=Settings.load(settings_file))
    listed = make_season(files=files)
    query = "select distinct word, word_family from fit.descriptor order by word"
    assert [row["word"] for row in own.rows(query)] == ["butter", "nail varnish"]
    assert [row["word"] for row in listed.rows(query)] == ["butter", "kerosene"]


def test_words_are_counted_where_nothing_was_scored(make_season):
    said = {"314": "pear", "271": "clove", "577": "clove"}
    rows = "".join(f"march,P{n},{code},{word}\n" for n in range(6) for code, word in said.items())
    season = make_season(files={"sheet.csv": "session,assessor,sample,descriptors\n" + rows, "key.csv": KEY})
    query = "select label, word, said, assessors from fit.descriptor where said > 0 order by label"
    assert season.rows(query) == [
        {"label": "batch B0", "word": "pear", "said": 6, "assessors": 6},
        {"label": "batch B1", "word": "clove", "said": 6, "assessors": 6},
        {"label": "batch B2", "word": "clove", "said": 6, "assessors": 6},
    ]
    assert season.rows("select distinct p_held <= 0.01 as is_told from fit.descriptor") == [{"is_told": True}]
    assert season.rows("select * from fit.sample_mean") == []


def test_words_that_are_no_words_are_refused(tmp_path):
    settings_file = tmp_path / "season.toml"
    settings_file.write_text("[words]\nkerosene = 3\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="table of words"):
        Settings.load(settings_file)

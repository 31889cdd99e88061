"""What the page says a tasted spirit was."""

from pipeline.report.sections.tasted import _what_it_was

ROW = {
    "main_grain": "raw rye",
    "yeast": "ale yeast",
    "wood": "oak",
    "cask_years": 0.44,
    "batch": None,
    "main_batch": "G1",
    "main_batch_frac": 1.0,
    "spirit_of": "100 % batch G1",
}


def said(**changed) -> str:
    return _what_it_was(ROW | changed, ["spring"])


def test_a_batchs_own_spirit_is_its_grain_and_yeast():
    text = said(batch="G1", wood=None, cask_years=None)
    assert text == "Raw rye, ale yeast. Tasted in spring."


def test_a_cask_of_one_batch_names_it():
    assert said() == "Spirit of batch G1, raw rye, ale yeast, oak, 0.4 years in cask. Tasted in spring."


def test_a_mixture_has_its_shares_and_the_grain_and_yeast_of_the_largest():
    text = said(main_batch_frac=0.62, spirit_of="62 % batch G1, 31 % batch G10, 7 % batch G2")
    assert text == (
        "Alcohol 62 % batch G1 (raw rye, ale yeast), 31 % batch G10, 7 % batch G2, oak, 0.4 years in cask. "
        "Tasted in spring."
    )


def test_a_spirit_of_which_nothing_is_known_says_so():
    nothing = dict.fromkeys(ROW)
    assert _what_it_was(nothing, ["spring"]) == "What it was made from is not known. Tasted in spring."

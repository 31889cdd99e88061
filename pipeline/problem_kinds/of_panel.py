"""Kinds of problem that the tasting sheets show."""

from pipeline.problem_kinds.kind import ProblemKind

OF_PANEL = (
    # --- what the panel's sheets show
    ProblemKind(
        "sheet_pasted_twice",
        "implausible",
        "a tasting sheet that is there twice",
        "begins a sheet whose {found} are all there once before",
        "{expected}",
        "take the copy out, or correct its assessor and session; the same sheet of one person counts once",
        "row used",
    ),
    ProblemKind(
        "scores_all_alike",
        "unusual",
        "an assessor who scored everything alike",
        "{found}",
        "{expected}",
        "ask whether the sheet was filled in at the table; such a sheet tells the samples apart no better, "
        "but it counts",
        "row used",
    ),
    ProblemKind(
        "key_unmatched",
        "unusual",
        "a key and a sheet that do not match",
        '"{found}" does not match',
        "{expected}",
        "compare the key with the sheet: codes swapped, a digit wrong, another session's name",
        "row used",
    ),
    ProblemKind(
        "sample_not_blind",
        "unusual",
        "a sample that was not blind",
        '"{found}" says what it is',
        "{expected}",
        "pour under codes and write what they were in a key afterwards: stillseason panel makes both",
        "row used",
    ),
    ProblemKind(
        "strength_between_neighbours",
        "unusual",
        "a jar's strength taken between its neighbours",
        "was not read",
        "{expected}",
        "read every jar, or leave it: the figure is marked as estimated",
        "row used",
    ),
)

"""Many comparisons at once, held together: by hand."""

import numpy as np
import pytest

from pipeline.multiplicity import benjamini_hochberg, holm


def test_holm_and_benjamini_hochberg_by_hand():
    """Four p values: Holm multiplies by 4, 3, 2, 1; the other by 4/1, 4/2, 4/3, 4/4."""
    assert holm([0.04, 0.01, np.nan, 0.02, 0.9])[[0, 1, 3, 4]] == pytest.approx([0.08, 0.04, 0.06, 0.9])
    assert benjamini_hochberg([0.04, 0.01, 0.02, 0.9]) == pytest.approx([0.16 / 3, 0.04, 0.04, 0.9])


def test_holm_stops_at_the_first_that_does_not_stand():
    # 0.01 stands against 0.05 / 3; 0.03 does not against 0.05 / 2, so 0.04 is not looked at.
    assert (holm([0.04, 0.01, 0.03]) <= 0.05).tolist() == [False, True, False]
    assert holm([]).tolist() == []

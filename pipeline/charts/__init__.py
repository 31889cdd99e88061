"""Charts: functions from a frame to an Altair chart, in one theme. They compute no number.

Every figure that a chart shows is a column of the frame it is given; a chart only orders and
places it. Titles and units come from the column dictionary.
"""

from pipeline.charts.casks import cask_loss, cask_strength
from pipeline.charts.cuts import cut_fractions, hearts_strengths
from pipeline.charts.flavour import flavour_map, flavour_shares
from pipeline.charts.flow import alcohol_band, where_alcohol_went
from pipeline.charts.scores import scores_by_sample
from pipeline.charts.theme import DARK, LIGHT, PAGE, page_spec, to_spec
from pipeline.charts.yields import yield_by_batch, yield_by_group

__all__ = [
    "DARK",
    "LIGHT",
    "PAGE",
    "alcohol_band",
    "cask_loss",
    "cask_strength",
    "cut_fractions",
    "flavour_map",
    "flavour_shares",
    "hearts_strengths",
    "page_spec",
    "scores_by_sample",
    "to_spec",
    "where_alcohol_went",
    "yield_by_batch",
    "yield_by_group",
]

"""What made the difference: fits of yield and flavour to grain, yeast, process and cask; what to run next.

`fit_step` turns the design tables (sql/40_fit) into the tables of `FIT_MAKES`. The scikit-learn regressor
is `pipeline.fits.estimator.HierarchicalBlocks`; nothing else here imports scikit-learn.
"""

from pipeline.fits.season_fit import FIT_MAKES, FIT_READS, fit_step

__all__ = ["FIT_MAKES", "FIT_READS", "fit_step"]

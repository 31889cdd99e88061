"""What the panel can and cannot tell: scores, difference tests, words, maps, spirit or cask; plans.

The estimators take and give arrays and know no tables; `tastings`, `tables`, `maps`, `splits` and `step`
stand between them and frames. `PANEL_STEPS` (in `step`) is what the build runs.
"""

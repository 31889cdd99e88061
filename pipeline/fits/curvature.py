"""A check for what a straight model cannot say: curvature and choices that work on each other.

A Gaussian process with a squared-exponential kernel over all columns, its length and its noise chosen by
likelihood on a fixed grid, predicts every batch left out in closed form (C. E. Rasmussen, C. K. I.
Williams, Gaussian Processes for Machine Learning (2006), eq. 5.10-5.12, from memory; held to
scikit-learn's `GaussianProcessRegressor` and brute force in tests/fits). It is spoken of only when it
predicts clearly better than the straight model.
"""

from __future__ import annotations

import numpy as np

from pipeline.fits.mixture import Floats

LENGTHS = np.geomspace(0.3, 10.0, 12)
NOISES = np.geomspace(0.01, 2.0, 12)
CLEARLY_BETTER = 0.9
"""Left-out error beside the straight model's, below which curvature is spoken of (own choice)."""

MOST_ROWS = 400


def left_out_curved(columns: Floats, y: Floats) -> Floats:
    """Each row predicted left out by the Gaussian process of the likeliest length and noise.

    columns (n, p) are used as they stand: shares as fractions, factors over their standard deviation.
    """
    scaled = (y - y.mean()) / y.std()
    distance = ((columns[:, None, :] - columns[None, :, :]) ** 2).sum(axis=2)
    typical = float(np.median(distance[distance > 1e-12])) if (distance > 1e-12).any() else 1.0
    best, most = np.zeros(len(y)), -np.inf
    for length in LENGTHS:
        values, vectors = np.linalg.eigh(np.exp(-0.5 * distance / (typical * length**2)))
        spectra = np.maximum(values, 0.0) + NOISES[:, None]
        sizes = ((vectors.T @ scaled) ** 2 / spectra).mean(axis=1)
        evidence = -0.5 * (len(y) * np.log(sizes) + np.log(spectra).sum(axis=1))
        if evidence.max() > most:
            most = float(evidence.max())
            inverse = (vectors / spectra[evidence.argmax()]) @ vectors.T
            best = scaled - (inverse @ scaled) / np.diag(inverse)
    return np.asarray(y.mean() + y.std() * best)

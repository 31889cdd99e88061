"""Spirit or cask? The variance of an attribute between samples, split among what made them.

Each sample's adjusted mean is taken as the sum of what its grain bill, its yeast, its cut, its cask, its
batch and
the evening gave it, and of the panel's known error:

    mean_i = mu + sum_k f_k(i) + error_i,   f_k ~ N(0, s_k^2 K_k),   s_k ~ half-t(3)

A cask filled from two batches carries the shares of both. What each part gave is drawn from its posterior;
its share is the variance of those values over the samples at hand, not of an imagined population. No prior
favours a part over another. Where two parts went together in all samples the data cannot split
them: how much of a part stands on its own is worked out from the design alone, before any score is looked at.

method  : importance sampling of the scales around the posterior's mode, twice adapted, then conditional
          simulation of the parts; fixed seed, so that the same logs give the same page
sources : Gelman, Annals of Statistics 33 (2005) 1 (variance of the batches at hand), Bayesian Analysis 1
          (2006) 515
          (half-t for few groups); both from memory, the second's abstract read. Calibrated by simulation
          in tests/panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pipeline.panel.mixed import Array

LEAST_SAMPLES = 8
MOST_SAMPLES = 300
OWN_PART_LEAST = 0.2
"""A part that stands on its own by less than this of its spread is not told apart from the others (own
choice)."""
LEVEL = 0.9
FIRST_DRAWS, DRAWS, KEPT = 200, 500, 250
_CHUNK = 100
_FREEDOM = 5.0
_OUT_OF_THE_WAY = 1e12


@dataclass(frozen=True)
class Part:
    """One part of what made the samples: a name, and one column a level or measure (samples, columns)."""

    name: str
    columns: Array


@dataclass(frozen=True)
class Standing:
    """What the design lets be said of a part.

    levels    : how many of its columns differ between samples
    own_frac  : how much of its spread no other part could take over, 0 to 1
    goes_with : the part that takes over most of the rest; empty when it stands on its own
    """

    name: str
    levels: int
    own_frac: float
    goes_with: str

    @property
    def is_told_apart(self) -> bool:
        return self.levels > 0 and self.own_frac >= OWN_PART_LEAST


@dataclass(frozen=True)
class Split:
    """Variance of each part over the samples at hand [points squared], one row a draw of the posterior.

    effective : how many independent draws the weighted ones are worth
    """

    names: tuple[str, ...]
    draws: Array
    effective: float


def standings(parts: Sequence[Part], nested: Sequence[str] = ("batch",)) -> list[Standing]:
    """How far each part stands on its own, from the design alone.

    nested : parts that are finer than the others by their nature (a batch has one grain bill): they are
             judged
             by what the others leave, but the others are not judged against them
    """
    centred = {part.name: _basis(part.columns) for part in parts}
    found = []
    for part in parts:
        own = part.columns - part.columns.mean(axis=0)
        total = float(np.sum(own**2))
        others = [name for name in centred if name != part.name and name not in nested]
        if total <= 1e-12:
            found.append(Standing(part.name, 0, 0.0, ""))
            continue
        joint = _basis(np.hstack([centred[name] for name in others])) if others else np.zeros((len(own), 0))
        left = float(np.sum((own - joint @ (joint.T @ own)) ** 2)) / total
        taken = {name: float(np.sum((centred[name].T @ own) ** 2)) / total for name in others}
        most = max(taken, key=lambda name: taken[name]) if taken else ""
        levels = int(np.sum(np.ptp(part.columns, axis=0) > 1e-12))
        found.append(Standing(part.name, levels, left, most if left < 0.5 else ""))
    return found


def _basis(columns: Array) -> Array:
    """An orthonormal basis of the columns' differences between samples."""
    if columns.shape[1] == 0:
        return np.zeros((len(columns), 0))
    left, values, _ = np.linalg.svd(columns - columns.mean(axis=0), full_matrices=False)
    return left[:, values > max(1e-9, 1e-9 * values[0])]


def scaled_columns(columns: Array) -> Array:
    """Columns centred and brought to a mean square distance of one, so that s^2 is what a part gives."""
    centred: Array = columns - columns.mean(axis=0)
    size = float(np.sqrt(np.sum(centred**2) / len(centred)))
    return centred / size if size > 1e-12 else centred[:, :0]


def split_variance(means: Array, errors: Array, parts: Sequence[Part], seed: int = 1) -> Split:
    """Split the variance between samples among the parts.

    means  : adjusted mean of each sample [points]
    errors : covariance of the means, known from the panel's model [points squared]
    """
    columns = [scaled_columns(part.columns) for part in parts]
    model = _Model(means, errors, columns)
    rng = np.random.default_rng(seed)
    mode, spread = model.mode()
    scales, weights = model.sample(mode, spread, FIRST_DRAWS, rng)
    mode = weights @ scales
    spread = (scales - mode).T @ ((scales - mode) * weights[:, None]) + 1e-3 * np.eye(len(mode))
    scales, weights = model.sample(mode, spread, DRAWS, rng)
    kept = scales[rng.choice(len(scales), size=KEPT, p=weights)]
    draws = np.vstack([model.variances(some, rng) for some in np.array_split(kept, max(KEPT // _CHUNK, 1))])
    return Split(tuple(part.name for part in parts), draws, float(1.0 / np.sum(weights**2)))


class _Model:
    """The hierarchical model of one attribute; `eta` are the logarithms of the parts' scales."""

    def __init__(self, means: Array, errors: Array, columns: Sequence[Array]) -> None:
        self.means = means
        # A hair of error of its own keeps a covariance that came from contrasts invertible.
        self.errors = errors + 1e-6 * np.trace(errors) / len(means) * np.eye(len(means))
        self.columns = columns
        self.kernels = np.stack([each @ each.T for each in columns])
        self.width = float(np.std(means, ddof=1)) + 1e-6
        self.size = len(means)
        self.bordered_kernels = np.pad(self.kernels, ((0, 0), (0, 2), (0, 2)))
        self.bordered = np.pad(self.errors, (0, 2))
        self.bordered[self.size :, : self.size] = means - means.mean(), np.ones(self.size)
        self.bordered[: self.size, self.size :] = self.bordered[self.size :, : self.size].T
        self.bordered[self.size :, self.size :] = _OUT_OF_THE_WAY * np.eye(2)

    def log_posterior(self, eta: Array) -> Array:
        """Log posterior of each row of eta, the mean integrated out over a flat prior."""
        found = []
        for some in np.array_split(eta, max(len(eta) // _CHUNK, 1)):
            # One factorisation gives all: below the root of V stand V's half-solved mean and column of ones.
            full = np.linalg.cholesky(_added(np.exp(2.0 * some), self.bordered_kernels, self.bordered))
            root, solved = full[:, : self.size, : self.size], full[:, self.size :, : self.size]
            yy = np.sum(solved[:, 0] ** 2, axis=1)
            yx = np.sum(solved[:, 0] * solved[:, 1], axis=1)
            xx = np.sum(solved[:, 1] ** 2, axis=1)
            log_det = 2.0 * np.sum(np.log(np.diagonal(root, axis1=1, axis2=2)), axis=1)
            ratio = np.exp(some) / self.width
            prior = np.sum(-2.0 * np.log1p(ratio**2 / 3.0) + some, axis=1)
            found.append(-0.5 * (log_det + np.log(xx) + yy - yx**2 / xx) + prior)
        return np.concatenate(found)

    def mode(self) -> tuple[Array, Array]:
        """The mode in eta and a covariance around it."""
        count = len(self.kernels)
        start = np.full(count, np.log(self.width / np.sqrt(count)))
        steps = 1e-4 * np.eye(count)

        def downhill(eta: Array) -> tuple[float, Array]:
            tried = np.vstack([eta[None, :], eta + steps, eta - steps])
            values = -self.log_posterior(tried)
            return float(values[0]), (values[1 : count + 1] - values[count + 1 :]) / 2e-4

        bounds = [(np.log(self.width) - 6.0, np.log(self.width) + 3.0)] * count
        found = minimize(downhill, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 40})
        bend = np.array(
            [
                (downhill(found.x + 1e-2 * e)[1] - downhill(found.x - 1e-2 * e)[1]) / 2e-2
                for e in np.eye(count)
            ]
        )
        values, vectors = np.linalg.eigh((bend + bend.T) / 2.0)
        return found.x, (vectors / np.maximum(values, 0.3)) @ vectors.T

    def sample(
        self, centre: Array, spread: Array, draws: int, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Draws of eta from a t around the centre, with their importance weights."""
        count = len(centre)
        root = np.linalg.cholesky(1.2 * spread)
        normal = rng.standard_normal((draws, count))
        widths = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size=(draws, 1)))
        # Scales far beyond anything the data could show would only overflow.
        offset = normal * widths
        eta = np.clip(centre + offset @ root.T, np.log(self.width) - 12.0, np.log(self.width) + 5.0)
        distance = np.sum(offset**2, axis=1)
        log_weight = self.log_posterior(eta) + 0.5 * (_FREEDOM + count) * np.log1p(distance / _FREEDOM)
        weights = np.exp(log_weight - log_weight.max())
        return eta, weights / weights.sum()

    def variances(self, eta: Array, rng: np.random.Generator) -> Array:
        """Variance over the samples of what each part gave, one posterior draw a row of eta.

        Conditional simulation: draw everything from the prior, then correct it by the kriging of what
        was really seen less what was drawn.
        """
        draws = len(eta)
        scales = np.exp(eta)
        covariance = _added(scales**2, self.kernels, self.errors)
        prior = [
            (rng.standard_normal((draws, each.shape[1])) @ each.T) * scales[:, k, None]
            for k, each in enumerate(self.columns)
        ]
        noise = rng.standard_normal((draws, self.size)) @ np.linalg.cholesky(self.errors).T
        gap = self.means - (np.sum(prior, axis=0) + noise)
        both = np.stack([gap, np.ones_like(gap)], axis=2)
        solved = np.linalg.solve(covariance, both)
        middle = np.sum(solved[:, :, 0], axis=1) / np.sum(solved[:, :, 1], axis=1)
        pull = solved[:, :, 0] - middle[:, None] * solved[:, :, 1]
        parts = [
            drawn + scales[:, k, None] ** 2 * (pull @ kernel)
            for k, (drawn, kernel) in enumerate(zip(prior, self.kernels, strict=True))
        ]
        return np.stack([each.var(axis=1, ddof=1) for each in parts], axis=1)


def _added(sizes: Array, kernels: Array, rest: Array) -> Array:
    """The sum of the kernels, each times its size, and the rest; one such sum a row of sizes."""
    total: Array = (sizes @ kernels.reshape(len(kernels), -1)).reshape(-1, *rest.shape)
    total += rest
    return total

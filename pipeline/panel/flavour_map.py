"""A map of flavour: principal components of the samples' adjusted means, with how sure each place is.

The ellipses come from drawing the assessors anew (with replacement), mapping each draw, and turning it upon
the map (Procrustes, turning and mirroring only). With few assessors such draws vary too little; the
ellipse is
widened by Hotelling's factor for their number. Two samples whose ellipses overlap were not told apart on
the map.

sources : principal components as in any textbook (checked against R's prcomp); Procrustes rotation from
          memory;
          Hotelling's T2 region for a mean of n people, Johnson & Wichern (from memory)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri

from pipeline.panel.mixed import Array

LEAST_SAMPLES = 4
LEAST_ASSESSORS = 4
EVIDENCE_FROM = 6
"""With fewer samples than this a map is a picture, not evidence."""
DRAWS = 200
LEVEL = 0.95


@dataclass(frozen=True)
class Ellipse:
    """Half-axes [units of the map] and the direction of the longer one [degrees from the first axis]."""

    major: float
    minor: float
    turned_deg: float


@dataclass(frozen=True)
class FlavourMap:
    """Places of samples and directions of attributes on the first two axes.

    samples      : (samples, 2)
    attributes   : (attributes, 2), loadings times the axis' standard deviation
    axis_frac    : share of the variance on every axis
    deviations   : standard deviation of every axis
    ellipses     : one a sample; empty when there are too few assessors
    """

    samples: Array
    attributes: Array
    axis_frac: Array
    deviations: Array
    ellipses: tuple[Ellipse, ...]


def principal_components(means: Array, *, scaled: bool) -> tuple[Array, Array, Array]:
    """Scores, loadings and standard deviations of the principal components of (samples, attributes).

    scaled : by each attribute's own standard deviation (correlation matrix); attributes that do not
             vary are left at zero. Signs: the largest loading of each axis is positive.
    """
    centred = means - means.mean(axis=0)
    if scaled:
        spread = centred.std(axis=0, ddof=1)
        centred = np.divide(centred, spread, out=np.zeros_like(centred), where=spread > 1e-12)
    left, values, right = np.linalg.svd(centred, full_matrices=False)
    loadings = right.T
    signs = np.sign(loadings[np.argmax(np.abs(loadings), axis=0), np.arange(loadings.shape[1])])
    signs[signs == 0.0] = 1.0
    return left * values * signs, loadings * signs, values / np.sqrt(len(means) - 1)


def map_flavours(means: Array, table: Array, *, draws: int = DRAWS, seed: int = 1) -> FlavourMap:
    """Map the samples by their adjusted means; ellipses by drawing assessors anew.

    means : (samples, attributes), all known
    table : (assessors, samples, attributes) scores of each assessor, NaN where not given; used for the
            ellipses only
    """
    places, loadings, deviations = principal_components(means, scaled=False)
    total = float(np.sum(deviations**2))
    if total <= 0.0 or deviations.shape[0] < 2:
        raise ValueError("the samples do not differ, so there is nothing to map")
    reference = places[:, :2]
    ellipses: tuple[Ellipse, ...] = ()
    if len(table) >= LEAST_ASSESSORS:
        ellipses = _ellipses(reference, _filled(table), draws, seed)
    return FlavourMap(
        reference, loadings[:, :2] * deviations[:2], deviations**2 / total, deviations, ellipses
    )


def _filled(table: Array) -> Array:
    """Each assessor's scores less his own level, gaps filled by sample + assessor.

    Levels are taken off first because they move all of a person's glasses alike, which no map shows.
    """
    level = np.nanmean(table, axis=1, keepdims=True)
    for _ in range(20):
        profile = np.nanmean(table - level, axis=0, keepdims=True)
        level = np.nanmean(table - profile, axis=1, keepdims=True)
    return np.where(np.isfinite(table), table - level, np.broadcast_to(profile, table.shape))


def _ellipses(reference: Array, centred: Array, draws: int, seed: int) -> tuple[Ellipse, ...]:
    people = len(centred)
    rng = np.random.default_rng(seed)
    counts = rng.multinomial(people, np.full(people, 1.0 / people), size=draws) / people
    drawn = np.einsum("da,asv->dsv", counts, centred)
    drawn = drawn - drawn.mean(axis=1, keepdims=True)
    left, values, _ = np.linalg.svd(drawn, full_matrices=False)
    places = left[:, :, :2] * values[:, None, :2]
    # The turn that brings a draw closest to the map: from the singular vectors of places' reference.
    u, _, v = np.linalg.svd(np.einsum("dsi,sj->dij", places, reference))
    turned = np.einsum("dsi,dij->dsj", places, u @ v)
    # Drawing n people with replacement understates their variance by (n - 1) / n.
    widened = people / (people - 1.0)
    reach = 2.0 * (people - 1.0) / (people - 2.0) * float(fdtri(2, people - 2, LEVEL))
    return tuple(_ellipse(np.cov(turned[:, sample].T) * widened, reach) for sample in range(len(reference)))


def _ellipse(covariance: Array, reach: float) -> Ellipse:
    values, vectors = np.linalg.eigh(covariance)
    major, minor = np.sqrt(np.maximum(values[::-1], 0.0) * reach)
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))) % 180.0
    return Ellipse(float(major), float(minor), angle)

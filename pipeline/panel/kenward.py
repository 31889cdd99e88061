"""Kenward and Roger's degrees of freedom and standard errors, beside Satterthwaite's.

The covariance of the fixed effects is widened for the variances being estimated, and F is scaled, so that
small unbalanced tables are judged a little more strictly. For covariances that are sums of known kernels the
terms with second derivatives fall away.

The panel's tables use Satterthwaite's: on simulated panels its intervals keep their word (DEVELOPERS.md), and
on complete tables the two are the same. This is what they are held against.

source : Kenward & Roger, Biometrics 53 (1997) 983 (formulas from memory); checked against R's pbkrtest 0.5.2
         by way of lmerTest 3.1.3 and emmeans 1.8.4.1 (tests/panel)
"""

from __future__ import annotations

import numpy as np
from scipy.special import fdtrc

from pipeline.panel.mixed import Array, RemlFit


def adjusted_covariance(fit: RemlFit) -> Array:
    """Covariance of the fixed effects, widened for what is not known of the variances."""
    widened = np.zeros_like(fit.cov)
    count = len(fit.theta)
    for i in range(count):
        for j in range(count):
            widened += fit.theta_expected_cov[i, j] * (
                fit.crossed[i, j] - fit.moments[i] @ fit.cov @ fit.moments[j]
            )
    total: Array = fit.cov + 2.0 * fit.cov @ widened @ fit.cov
    return total


def kenward_roger_test(fit: RemlFit, contrasts: Array) -> tuple[float, float, float, float]:
    """F, numerator and denominator degrees of freedom, and p that all rows of `contrasts` are zero.

    contrasts : (tests, fixed effects), rows independent of each other
    """
    count = len(contrasts)
    theta = contrasts.T @ np.linalg.solve(contrasts @ fit.cov @ contrasts.T, contrasts)
    turned = [theta @ fit.cov @ moment @ fit.cov for moment in fit.moments]
    weight = fit.theta_expected_cov
    traces = np.array([np.trace(each) for each in turned])
    first = float(traces @ weight @ traces)
    second = float(
        sum(
            weight[i, j] * np.trace(one @ other)
            for i, one in enumerate(turned)
            for j, other in enumerate(turned)
        )
    )
    beta = contrasts @ fit.beta
    raw = float(beta @ np.linalg.solve(contrasts @ adjusted_covariance(fit) @ contrasts.T, beta)) / count
    if second <= 0.0:
        return raw, float(count), float("inf"), float(fdtrc(count, 1e9, raw))
    bulk = (first + 6.0 * second) / (2.0 * count)
    shape = ((count + 1) * first - (count + 4) * second) / ((count + 2) * second)
    bottom = 3.0 * count + 2.0 * (1.0 - shape)
    c1, c2, c3 = shape / bottom, (count - shape) / bottom, (count + 2.0 - shape) / bottom
    expected = 1.0 / (1.0 - second / count)
    spread = 2.0 / count * (1.0 + c1 * bulk) / ((1.0 - c2 * bulk) ** 2 * (1.0 - c3 * bulk))
    ratio = spread / (2.0 * expected**2)
    df = 4.0 + (count + 2.0) / (count * ratio - 1.0)
    f_value = raw * df / (expected * (df - 2.0))
    return f_value, float(count), float(df), float(fdtrc(count, df, f_value))

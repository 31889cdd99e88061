"""How far the fits and charts of the cuts can be trusted, counted on runs whose truth is known.

`python -m pipeline.cuts.calibration` prints the tables that stand in DEVELOPERS.md; `--docs FILE` writes them
there (make calibrate-cuts: 1,000 runs a case, some minutes on one core). Runs are made from the exact
curves of `pipeline.science`, not from the table the fit uses.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.cuts import control
from pipeline.cuts.fit import RunFit, fit_runs
from pipeline.cuts.model import RunSet, run_set
from pipeline.cuts.robust import Errors
from pipeline.science import jar_strengths

Array = NDArray[np.float64]

RUNS = 1000
_BEGIN = "<!-- calibration of the cuts -->"
_END = "<!-- end calibration of the cuts -->"
TYPOS_PCT_VOL = (-2.0, 3.0, -5.0, 9.0, -18.0)


@dataclass(frozen=True)
class Scenario:
    """A still and its jars as they truly are, and how well they are read (standard deviations)."""

    stages: float = 0.5
    jars: int = 20
    jar_l: float = 0.75
    charge_l: float = 40.0
    charge_abv: float = 28.0
    strength_pct_vol: float = 0.3
    volume_frac: float = 0.01


def simulate_runs(scenario: Scenario, runs: int, rng: np.random.Generator) -> RunSet:
    """So many runs of one scenario, every jar and the charge read with error."""
    true_l = np.full(scenario.jars, scenario.jar_l)
    true_abv = jar_strengths(scenario.charge_l, scenario.charge_abv, scenario.stages, true_l)
    shape = (runs, scenario.jars)
    volume_l = true_l * (1.0 + scenario.volume_frac * rng.standard_normal(shape))
    jar_abv = true_abv + scenario.strength_pct_vol * rng.standard_normal(shape)
    charge_l = scenario.charge_l * (1.0 + scenario.volume_frac * rng.standard_normal(runs))
    charge_abv = scenario.charge_abv + scenario.strength_pct_vol * rng.standard_normal(runs)
    nothing = np.full(shape, np.nan)
    return run_set(
        charge_l.tolist(),
        charge_abv.tolist(),
        [scenario.strength_pct_vol] * runs,
        np.stack([volume_l, jar_abv, nothing], axis=2).tolist(),
    )


@dataclass(frozen=True)
class StagesCount:
    """What became of the stages of many runs of one scenario."""

    mean: float
    sd: float
    u: float
    coverage: float
    flagged: float


def count_stages(scenario: Scenario, runs: int, rng: np.random.Generator) -> StagesCount:
    """Fit so many clean runs: bias, spread, coverage of the 95 % interval, share of runs called wrong."""
    fits = fit_runs(simulate_runs(scenario, runs, rng), Errors()).runs
    found = np.array([fit.stages for fit in fits])
    covered = [fit.stages_low <= scenario.stages <= fit.stages_high for fit in fits]
    return StagesCount(
        float(found.mean()),
        float(found.std()),
        float(np.mean([fit.stages_u for fit in fits])),
        float(np.mean(covered)),
        float(np.mean([fit.shape != "as expected" for fit in fits])),
    )


def with_typos(runs: RunSet, size_pct_vol: float, jar: NDArray[np.int_]) -> RunSet:
    """The runs with one jar's strength mistyped by so much."""
    jar_abv = runs.jar_abv.copy()
    jar_abv[np.arange(runs.runs), jar] += size_pct_vol
    return runs.with_volumes(runs.volume_l, jar_abv)


def count_found(
    scenario: Scenario, size_pct_vol: float, runs: int, rng: np.random.Generator
) -> tuple[float, float]:
    """Share of runs with one mistyped strength whose jar is found; sd of the value expected [% vol]."""
    jar = rng.integers(0, scenario.jars, runs)
    fits = fit_runs(with_typos(simulate_runs(scenario, runs, rng), size_pct_vol, jar), Errors()).runs
    is_found = [
        bool(fit.suspicions) and fit.suspicions[0].jar == at for fit, at in zip(fits, jar, strict=True)
    ]
    errors = [
        fit.suspicions[0].shift - size_pct_vol
        for fit, at in zip(fits, jar, strict=True)
        if _is_strength(fit) and fit.suspicions[0].jar == at
    ]
    return float(np.mean(is_found)), float(np.std(errors))


def _is_strength(fit: RunFit) -> bool:
    return bool(fit.suspicions) and fit.suspicions[0].what == "strength"


@dataclass(frozen=True)
class RunLengths:
    """Points to the first signal of the CUSUM and of the EWMA, one a series; the series' length if none."""

    cusum: Array
    ewma: Array


def run_lengths(
    series: int, length: int, shift: float, rng: np.random.Generator, learned: int = 0
) -> RunLengths:
    """Run lengths of the charts on normal data shifted from the start, or after `learned` runs in control.

    learned : runs before the shift that a self-starting chart learns from; 0: mean and sigma known.
              Series that signal while learning are drawn again.
    """
    found: list[tuple[int, int]] = []
    while len(found) < series:
        values = rng.standard_normal(learned + length)
        values[learned:] += shift
        lengths = _first_signals(control.self_starting(values) if learned else values)
        if min(lengths) >= learned:
            found.append((lengths[0] - learned + 1, lengths[1] - learned + 1))
    both = np.minimum(np.array(found, dtype=np.float64), float(length))
    return RunLengths(both[:, 0], both[:, 1])


def _first_signals(values: Array) -> tuple[int, int]:
    """Places of the first signals of the two charts; the number of points where there is none."""
    started = np.nan_to_num(values)
    up, down = control.cusum(started, 0.0, control.CUSUM_K, control.CUSUM_H)
    width = control.ewma_half_width(1.0, np.array([np.inf]))[0]
    places = [
        np.flatnonzero(np.maximum(up, down) > control.CUSUM_H),
        np.flatnonzero(np.abs(control.ewma(started, 0.0)) > width),
    ]
    first, second = (int(each[0]) if each.size else values.size for each in places)
    return first, second


def _tables(runs: int) -> Iterator[str]:
    rng = np.random.default_rng(20)
    yield "| true stages | jars | mean found | sd | stated u | 95 % covers | clean runs called wrong |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for stages in (0.0, 0.25, 0.5, 1.0):
        for jars, jar_l in ((20, 0.75), (10, 1.5)):
            counted = count_stages(Scenario(stages=stages, jars=jars, jar_l=jar_l), runs, rng)
            yield (
                f"| {stages} | {jars} x {jar_l} L | {counted.mean:.4f} | {counted.sd:.4f} | "
                f"{counted.u:.4f} | {counted.coverage:.1%} | {counted.flagged:.1%} |"
            )
    yield ""
    yield "| strength mistyped by | jar found | sd of the value expected |"
    yield "| --- | --- | --- |"
    for size in TYPOS_PCT_VOL:
        share, error = count_found(Scenario(), size, runs, rng)
        yield f"| {size:+g} %vol | {share:.1%} | {error:.2f} %vol |"
    yield ""
    yield "| shift | chart | mean run length | counted, all known | counted after learning from 30 |"
    yield "| --- | --- | --- | --- | --- |"
    for shift, length in ((0.0, 6000), (1.0, 2000), (1.5, 2000)):
        known = run_lengths(max(runs, 100), length, shift, rng)
        learned = run_lengths(max(runs // 2, 50), min(length, 1500), shift, rng, learned=30)
        for name in ("cusum", "ewma"):
            yield (
                f"| {shift:g} sigma | {name.upper()} | {published_run_length(name, shift):.1f} | "
                f"{getattr(known, name).mean():.1f} | {_learned(getattr(learned, name), shift)} |"
            )


def _learned(lengths: Array, shift: float) -> str:
    """Mean to a signal; in control, where a series ends before it signals, signals per thousand runs."""
    if shift == 0.0:
        return f"{1000.0 * np.mean(lengths < lengths.max()) / lengths.mean():.1f} signals in 1,000 runs"
    return f"median {np.median(lengths):.0f}"


def published_run_length(name: str, shift: float) -> float:
    """The mean run length of a chart from its Markov chain; tests hold it against the printed ones."""
    if name == "cusum":
        return control.arl_cusum(control.CUSUM_K, control.CUSUM_H, shift)
    return control.arl_ewma(control.EWMA_WEIGHT, control.EWMA_WIDTH, shift)


def write_tables(document: Path, tables: str) -> None:
    """Put the tables between the marks of a document; ValueError when it has none."""
    text = document.read_text(encoding="utf-8")
    if text.count(_BEGIN) != 1 or text.count(_END) != 1:
        raise ValueError(f"{document}: expected one line {_BEGIN!r} and one {_END!r}")
    before, rest = text.split(_BEGIN)
    _, after = rest.split(_END)
    document.write_text(f"{before}{_BEGIN}\n{tables}\n{_END}{after}", encoding="utf-8")


def main(arguments: list[str]) -> None:
    """Count, then print, or write into the document named after `--docs`."""
    tables = "\n".join(_tables(RUNS))
    if arguments[:1] == ["--docs"]:
        write_tables(Path(arguments[1]), tables)
    else:
        print(tables)


if __name__ == "__main__":
    main(sys.argv[1:])

"""Invented seasons from physics, with their known truth: demonstration, calibration, benchmarks.

Shares nothing with the account but `pipeline.science`, so that it can test it.
"""

from pipeline.simulate.diary import season_pages, write_season
from pipeline.simulate.instruments import PERFECT, Instruments
from pipeline.simulate.mistakes import HONEST_MISTAKES, MISTAKE_KINDS
from pipeline.simulate.records import MistakeOrder
from pipeline.simulate.season import Season, simulate_season
from pipeline.simulate.telemetry import write_telemetry
from pipeline.simulate.truth import season_truth
from pipeline.simulate.world import World, make_world

__all__ = [
    "HONEST_MISTAKES",
    "MISTAKE_KINDS",
    "PERFECT",
    "Instruments",
    "MistakeOrder",
    "Season",
    "World",
    "make_world",
    "season_pages",
    "season_truth",
    "simulate_season",
    "write_season",
    "write_telemetry",
]

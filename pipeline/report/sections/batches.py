"""Every batch of the season as a table, from grain to spirit."""

from __future__ import annotations

from pipeline.charts.titles import label_of
from pipeline.report.blocks import Block, Section, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.text import counted

_MASH = [
    "batch",
    "mashed_on",
    "grain_bill",
    "yeast",
    "grain_kg",
    "sugar_kg",
    "potential_extract_kg",
    "mash_efficiency_frac",
    "wash_volume_l",
    "original_gravity_sg",
    "final_gravity_sg",
    "apparent_attenuation_frac",
    "real_attenuation_frac",
    "wash_abv_pct_vol",
    "wash_lpa",
    "ferment_efficiency_frac",
    "ferment_days",
    "rest_days",
]
_STILL = [
    "batch",
    "low_wines_lpa",
    "low_wines_abv_pct_vol",
    "strip_recovery_frac",
    "spirit_charge_lpa",
    "foreshots_lpa",
    "heads_lpa",
    "hearts_lpa",
    "tails_lpa",
    "residue_lpa",
    "feints_in_lpa",
    "feints_out_lpa",
    "net_spirit_lpa",
    "yield_lpa_per_kg",
    "hearts_abv_pct_vol",
    "hearts_start_pct_vol",
    "hearts_end_pct_vol",
    "balance_gap_lpa",
    "cost_per_lpa",
]


def every_batch(data: SeasonData) -> Section:
    """Two tables a batch fits in: mash and wash, then still and spirit."""
    if data.batches.is_empty():
        return Section("batches", "Every batch", ["No batch was logged in this season."])
    flags = data.flags()
    answer = [f"{counted(data.batches.height, 'batch', 'batches').capitalize()}, in the order of mashing."]
    if flags:
        answer.append(
            "A batch marked (!) is touched by a problem: see Problems found before trusting its figures."
        )
    if data.currency and "cost_per_lpa" in _filled(data, _STILL):
        answer.append(f"Prices are in {data.currency}.")
    # A column that the whole season leaves blank is left off the page, so that the rest can be read.
    blocks: list[Block] = [
        folded(
            table_of(
                data.batches,
                _filled(data, _MASH),
                "From grain to wash",
                flags=flags,
                note=_blank(data, _MASH),
            )
        ),
        folded(
            table_of(
                data.batches,
                _filled(data, _STILL),
                "From wash to spirit",
                flags=flags,
                note=_blank(data, _STILL),
            )
        ),
    ]
    return Section("batches", "Every batch", answer, blocks)


def _filled(data: SeasonData, columns: list[str]) -> list[str]:
    return [name for name in columns if data.batches[name].null_count() < data.batches.height]


def _blank(data: SeasonData, columns: list[str]) -> str:
    blank = [label_of(name).lower() for name in columns if name not in _filled(data, columns)]
    return f"Not measured for any batch: {', '.join(blank)}." if blank else ""

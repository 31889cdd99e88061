"""Every batch of the season as a table, from grain to spirit."""

from __future__ import annotations

from pipeline.report.blocks import Block, Section, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.marks import MEANS, with_marks
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
    if data.problem_figures.height:
        answer.append(MEANS)
    if data.currency and data.batches["cost_per_lpa"].count():
        answer.append(f"Prices are in {data.currency}.")
    blocks: list[Block] = [
        folded(
            with_marks(
                table_of(data.batches, columns, caption, flags=flags, leave_off_blank=True),
                data.batches["batch"],
                data,
            )
        )
        for columns, caption in ((_MASH, "From grain to wash"), (_STILL, "From wash to spirit"))
    ]
    return Section("batches", "Every batch", answer, blocks)

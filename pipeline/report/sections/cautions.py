"""Cautions, and what this page is not. What is said of the trade is common practice, no source."""

from __future__ import annotations

from pipeline.report.blocks import Points, Section

CAUTIONS = [
    "Foreshots and methanol: the first runnings hold the most volatile of what should not be drunk. Put them "
    "apart and never taste them. Methanol, which comes above all from fruit and pectin, runs through the "
    "whole distillation, so cutting does not make a bad wash safe, and no figure on this page shows that a "
    "spirit is fit to drink: only a laboratory can.",
    "Vapour and flame: spirit and its vapour catch fire easily, and the vapour is heavier than air and "
    "travels. No naked flame or spark near a running still, a receiver or a filling cask; air the room; keep "
    "an extinguisher for alcohol fires within reach.",
    "Pressure: a still must never be sealed. Keep the vapour path and the outlet open and clear, look out "
    "for grain that can block them, and never leave a still alone.",
    "Heat: wash, low wines and what is left in the still are scalding, and so are the vessels. Let them cool "
    "before you open, drain or clean.",
    "Strong spirit: it burns eyes and skin and is easily spilt. Gloves and glasses when you proof and fill; "
    "add spirit and water slowly, the mixture warms.",
    "Tasting: dilute to about 20 to 23 %vol, small measures, spit, water beside it; no driving afterwards; "
    "nothing to anyone under age, pregnant or at work on the still.",
]
LAW = [
    "Distilling needs a licence in most places, and is forbidden to private people in many. The law where "
    "you are, your licence and the practice your authority approves go before anything on this page.",
    "This is a review of your own logs. It is no statutory record, no declaration of duty and no "
    "certificate; where it differs from the method your authority prescribes, theirs counts.",
]


def cautions() -> Section:
    """What can hurt, and what comes before this page."""
    return Section("cautions", "Cautions, law and licence", LAW, [Points(CAUTIONS)])

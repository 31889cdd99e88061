-- What:  a dated running account of pure alcohol: made, moved, drawn, lost, in stock, vessel by vessel. It is no
--        statutory record and replaces none: it is something to check one against, and where the two differ the
--        authority's own method of measuring and booking goes before this one.
-- Note:  spirit only, from the still onwards; wash is not in it. Stock is what the vessels whose content is known hold
--        after the entry. A loss is what a measurement found less than the account had; below zero it found more.
-- Grain: one row an entry that touches a spirit vessel, in order of time.
-- From:  account.move, account.lot
create or replace table account.register as
with spirit_moves as (
    select
        move.*,
        -- Moves within one vessel (water, a gauge) change it once.
        coalesce(move.from_lpa_after, 0e0) - coalesce(move.from_lpa_before, 0e0) as from_change_lpa,
        if(
            move.to_lot is not null and move.to_lot is distinct from move.from_lot,
            coalesce(move.to_lpa_after, 0e0) - coalesce(move.to_lpa_before, 0e0),
            0e0
        ) as to_change_lpa,
    from account.move as move
    left join account.lot as lot
        on lot.lot = coalesce(move.from_lot, move.to_lot)
    where
        lot.lot_kind is distinct from 'wash'
        and coalesce(move.cut, '') not in ('wash', 'water')
        and move.kind != 'ferment'
)

select
    -- ids
    move_id,
    file_id,
    line,
    batch,
    run,
    -- text
    kind,
    from_lot,
    to_lot,
    -- numerics
    volume_l,
    abv_pct_vol,
    if(kind = 'collect', lpa, 0e0) as made_lpa,
    if(kind = 'charge', lpa, 0e0) as returned_lpa,
    if(kind in ('cask fill', 'cask top up') or (kind = 'dilute' and to_lot is distinct from from_lot), lpa, 0e0)
        as moved_lpa,
    if(kind in ('discard', 'cask draw', 'cask bottle', 'cask empty'), lpa, 0e0) as drawn_lpa,
    -- What rounding leaves of two equal amounts is no loss.
    if(abs(adjustment_lpa) < 1e-9, 0e0, 0e0 - adjustment_lpa) as lost_lpa,
    from_lpa_after,
    to_lpa_after,
    fsum(from_change_lpa + to_change_lpa) over (order by happened_at nulls first, batch is null, file_id, line) as stock_lpa,
    -- timestamps
    happened_at,
from spirit_moves
order by happened_at nulls first, batch is null, file_id, line

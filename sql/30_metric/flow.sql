-- What:  where the season's alcohol went, step by step, in litres of pure alcohol (extract at Balling's rate).
-- Note:  part 'still house' (grain to hearts) adds up over the batches that were measured at every step, named
--        in `batches`; part 'casks' follows all hearts from there. Each loss is what one step had and the
--        next had not, so every part closes to nothing.
--        Held up is only what was measured: a vessel gauged after its last draw, or an amount thrown out. What a
--        vessel would hold by subtraction alone is an error of readings as well, and stays in the unexplained part.
--        A loss is avoidable where better work could keep some of it; foreshots are not (they are not for drinking),
--        nor is what no yeast ferments, nor what nobody can name. A line that nothing was measured for is left out.
-- Grain: one row a season, part and position.
-- From:  metric.batch, account.run, account.lot, account.entry, account.move, account.flow_u, metric.cask, raw.setting
create or replace table metric.flow as
with recursive run_sums as (
    select
        batch,
        sum_where(charge_lpa, run_kind = 'stripping') as strip_charge_lpa,
        sum_where(low_wines_charged_lpa, run_kind = 'spirit') as low_wines_charged_lpa,
        sum_where(collected_lpa, run_kind = 'spirit') as spirit_collected_lpa,
    from account.run
    group by batch
),

touched as (
    select
        move_id,
        kind,
        unnest(list_distinct(list_filter([from_lot, to_lot], lambda name: name is not null))) as lot,
    from account.move
),

in_turn as (
    select
        touched.*,
        lag(kind) over (partition by lot order by move_id) as kind_before,
        lead(kind) over (partition by lot order by move_id) as kind_after,
    from touched
),

-- What stayed behind and was measured: gauged last of all, or thrown out (by amount, or right after a gauge).
left_behind as (
    select
        move.from_lot as lot,
        move.kind,
        move.lpa,
    from in_turn
    inner join account.move as move
        on move.move_id = in_turn.move_id
        and move.from_lot = in_turn.lot
    inner join account.entry as entry
        on entry.file_id = move.file_id
        and entry.line = move.line
    where
        move.lpa is not null
        and (
            (move.kind = 'gauge' and move.mass_kg is not null and in_turn.kind_after is null)
            or (
                move.kind = 'discard'
                and (entry.volume_20c_l is not null or entry.mass_kg is not null or in_turn.kind_before = 'gauge')
            )
        )
),

held_up as (
    select
        lot.batch,
        fsum(left_behind.lpa) filter (where lot.lot_kind = 'wash') as wash_lpa,
        fsum(left_behind.lpa) filter (where lot.lot_kind = 'low wines') as low_wines_lpa,
    from left_behind
    inner join account.lot as lot
        on lot.lot = left_behind.lot
    group by lot.batch
),

measured_all_along as (
    select
        batch.season,
        batch.batch,
        max_lpa_per_kg_extract() * batch.potential_extract_kg as potential_lpa,
        max_lpa_per_kg_extract() * batch.wash_extract_kg as extract_lpa,
        batch.wash_lpa,
        batch.wash_lpa / nullif(batch.ferment_efficiency_frac, 0e0) as fermentable_lpa,
        held_up.wash_lpa as wash_held_lpa,
        run_sums.strip_charge_lpa,
        batch.pot_ale_lpa,
        batch.low_wines_lpa,
        held_up.low_wines_lpa as low_wines_held_lpa,
        run_sums.low_wines_charged_lpa,
        batch.spirit_charge_lpa,
        batch.spent_lees_lpa,
        run_sums.spirit_collected_lpa,
        coalesce(batch.foreshots_lpa, 0e0) as foreshots_lpa,
        batch.feints_in_lpa,
        batch.feints_out_lpa,
        batch.hearts_lpa,
    from metric.batch as batch
    inner join run_sums
        on run_sums.batch = batch.batch
    left join held_up
        on held_up.batch = batch.batch
    where
        batch.potential_extract_kg is not null
        and batch.wash_extract_kg is not null
        and batch.wash_lpa is not null
        and run_sums.strip_charge_lpa is not null
        and batch.low_wines_lpa is not null
        and run_sums.low_wines_charged_lpa is not null
        and batch.spirit_charge_lpa is not null
        and run_sums.spirit_collected_lpa is not null
        and batch.feints_in_lpa is not null
        and batch.feints_out_lpa is not null
        and batch.hearts_lpa is not null
),

totals as (
    select
        season,
        count(*) as batches,
        fsum(potential_lpa) as potential,
        fsum(extract_lpa) as extract,
        fsum(extract_lpa - fermentable_lpa) as unfermentable,
        fsum(wash_lpa) as wash,
        fsum(wash_held_lpa) as wash_held,
        fsum(strip_charge_lpa) as strip_charge,
        fsum(pot_ale_lpa) as pot_ale,
        fsum(strip_charge_lpa - low_wines_lpa) filter (where pot_ale_lpa is null) as pot_ale_open,
        fsum(low_wines_lpa) as low_wines,
        fsum(low_wines_held_lpa) as low_wines_held,
        fsum(low_wines_charged_lpa) as low_wines_charged,
        fsum(spent_lees_lpa) as spent_lees,
        fsum(low_wines_charged_lpa + feints_in_lpa - foreshots_lpa - feints_out_lpa - hearts_lpa)
            filter (where spent_lees_lpa is null) as spent_lees_open,
        fsum(foreshots_lpa) as foreshots,
        fsum(feints_in_lpa) as feints_in,
        fsum(feints_out_lpa) as feints_out,
        fsum(hearts_lpa) as hearts,
    from measured_all_along
    group by season
),

still_house as (
    select
        season,
        'still house' as part,
        batches,
        potential as whole,
        unnest([
            {position: 1, side: 'carried', node: 'potential', lpa: potential, label: 'In the grain and sugar', explanation: 'extract the ingredients can give, at 0.613 LPA a kg (Balling)'},
            {position: 2, side: 'lost', node: 'not extracted', lpa: potential - extract, label: 'Not extracted', explanation: 'left in the spent grain, or never dissolved'},
            {position: 3, side: 'carried', node: 'extract', lpa: extract, label: 'Extract in the wort', explanation: 'what the yeast was given, as the alcohol it could become'},
            {position: 4, side: 'lost', node: 'unfermentable', lpa: unfermentable, label: 'Not fermentable', explanation: 'dextrin, by the fermentable share of each ingredient; that share is not exact, and ± leaves its error out'},
            {position: 5, side: 'lost', node: 'unfermented', lpa: extract - wash - coalesce(unfermentable, 0e0), label: 'Not fermented', explanation: 'sugar left in the finished wash; dextrin too where the fermentable share is not known'},
            {position: 6, side: 'carried', node: 'wash', lpa: wash, label: 'Alcohol in the wash', explanation: 'from original and final gravity and volume'},
            {position: 7, side: 'lost', node: 'wash held up', lpa: wash_held, label: 'Wash held up', explanation: 'lees and heel of the fermenter, as thrown out or gauged'},
            {position: 8, side: 'lost', node: 'wash unexplained', lpa: wash - coalesce(wash_held, 0e0) - strip_charge, label: 'Wash not accounted for', explanation: 'neither charged nor measured as left: heel, spills, and errors of volume and strength'},
            {position: 9, side: 'lost', node: 'pot ale', lpa: pot_ale, label: 'Left in the pot ale', explanation: 'measured after the stripping runs'},
            {position: 10, side: 'lost', node: 'pot ale not measured', lpa: pot_ale_open, label: 'Pot ale not measured', explanation: 'charged and not collected in the batches whose pot ale was not measured, with the errors'},
            {position: 11, side: 'lost', node: 'stripping unexplained', lpa: if(pot_ale is null, null, strip_charge - low_wines - pot_ale - coalesce(pot_ale_open, 0e0)), label: 'Stripping not accounted for', explanation: 'charged, and neither collected nor found in the pot ale that was measured: vapour, hold-up and errors'},
            {position: 12, side: 'carried', node: 'low wines', lpa: low_wines, label: 'Low wines', explanation: 'collected in the stripping runs'},
            {position: 13, side: 'lost', node: 'low wines held up', lpa: low_wines_held, label: 'Low wines held up', explanation: 'in the receiver still, or thrown out, as measured'},
            {position: 14, side: 'lost', node: 'low wines unexplained', lpa: low_wines - coalesce(low_wines_held, 0e0) - low_wines_charged, label: 'Low wines not accounted for', explanation: 'neither charged nor measured as left: stock not gauged, spills, and errors of measurement'},
            {position: 15, side: 'carried', node: 'spirit charge', lpa: low_wines_charged, label: 'Charged to the spirit runs', explanation: 'low wines charged; the feints that went round with them are taken off the feints kept'},
            {position: 16, side: 'lost', node: 'foreshots', lpa: foreshots, label: 'Foreshots put away', explanation: 'never drunk; kept apart or discarded'},
            {position: 17, side: 'stock', node: 'feints', lpa: feints_out - feints_in, label: 'Feints added to stock', explanation: 'heads and tails kept, less feints charged: carried to later batches'},
            {position: 18, side: 'lost', node: 'spent lees', lpa: spent_lees, label: 'Left in the spent lees', explanation: 'measured after the spirit runs'},
            {position: 19, side: 'lost', node: 'spent lees not measured', lpa: spent_lees_open, label: 'Spent lees not measured', explanation: 'charged and not collected in any cut in the batches whose spent lees were not measured, with the errors'},
            {position: 20, side: 'lost', node: 'spirit unexplained', lpa: if(spent_lees is null, null, low_wines_charged + feints_in - foreshots - feints_out - hearts - spent_lees - coalesce(spent_lees_open, 0e0)), label: 'Spirit runs not accounted for', explanation: 'charged, and neither in a cut nor found in the spent lees that were measured: vapour, hold-up and errors'},
            {position: 21, side: 'carried', node: 'hearts', lpa: hearts, label: 'Hearts', explanation: 'the middle cut'}
        ], recursive := true),
    from totals
),

-- Hearts of the batches that measured them, and the lots they went into when they were proofed down.
hearts_lots as (
    select distinct
        batch.season,
        move.to_lot as lot,
    from account.move as move
    inner join metric.batch as batch
        on batch.batch = move.batch
    where move.kind = 'collect' and move.cut = 'hearts' and batch.hearts_lpa is not null
    union
    select
        hearts_lots.season,
        move.to_lot as lot,
    from account.move as move
    inner join hearts_lots
        on hearts_lots.lot = move.from_lot
    where move.kind = 'dilute' and move.to_lot is not null
),

hearts_held as (
    select
        hearts_lots.season,
        fsum(coalesce(lot.lpa, 0e0)) as lpa,
    from hearts_lots
    inner join account.lot as lot
        on lot.lot = hearts_lots.lot
    group by hearts_lots.season
),

hearts_filled as (
    select
        hearts_lots.season,
        fsum(coalesce(move.lpa, 0e0)) as lpa,
    from account.move as move
    inner join hearts_lots
        on hearts_lots.lot = move.from_lot
    where move.kind in ('cask fill', 'cask top up')
    group by hearts_lots.season
),

hearts_thrown as (
    select
        hearts_lots.season,
        fsum(left_behind.lpa) as lpa,
    from left_behind
    inner join hearts_lots
        on hearts_lots.lot = left_behind.lot
    where left_behind.kind = 'discard'
    group by hearts_lots.season
),

hearts_all as (
    select
        batch.season,
        count(*) as batches,
        fsum(batch.hearts_lpa) as hearts,
        coalesce(max(hearts_held.lpa), 0e0) as held,
        max(hearts_thrown.lpa) as thrown,
        coalesce(max(hearts_filled.lpa), 0e0) as filled,
    from metric.batch as batch
    left join hearts_held
        on hearts_held.season = batch.season
    left join hearts_thrown
        on hearts_thrown.season = batch.season
    left join hearts_filled
        on hearts_filled.season = batch.season
    where batch.hearts_lpa is not null
    group by batch.season
),

cask_sums as (
    select
        season,
        fsum(fill_lpa + topped_up_lpa) as filled,
        fsum(coalesce(loss_lpa, 0e0)) as lost,
        fsum(drawn_lpa + bottled_lpa) as taken,
    from metric.cask
    where fill_lpa is not null and topped_up_lpa is not null and drawn_lpa is not null and bottled_lpa is not null
    group by season
),

cask_totals as (
    select
        hearts_all.*,
        coalesce(cask_sums.filled, 0e0) - hearts_all.filled as filled_from_others,
        coalesce(cask_sums.lost, 0e0) as lost,
        coalesce(cask_sums.taken, 0e0) as taken,
    from hearts_all
    left join cask_sums
        on cask_sums.season = hearts_all.season
),

casks as (
    select
        season,
        'casks' as part,
        batches,
        hearts as whole,
        unnest([
            {position: 22, side: 'carried', node: 'all hearts', lpa: hearts, label: 'Hearts of all batches', explanation: 'every batch whose hearts were measured'},
            {position: 23, side: 'stock', node: 'not in cask', lpa: held, label: 'Hearts not in a cask', explanation: 'still in their own vessels by the account'},
            {position: 24, side: 'lost', node: 'hearts held up', lpa: thrown, label: 'Hearts held up', explanation: 'left in the vat or the filter and thrown out, as measured'},
            {position: 25, side: 'lost', node: 'hearts unexplained', lpa: hearts - held - coalesce(thrown, 0e0) - filled, label: 'Hearts not accounted for', explanation: 'samples, losses of proofing that nobody wrote down, and errors of measurement'},
            {position: 26, side: 'carried', node: 'filled', lpa: filled, label: 'Filled into casks', explanation: 'fills and top-ups as measured'},
            {position: 27, side: 'added', node: 'filled from others', lpa: filled_from_others, label: 'Filled from other spirit', explanation: 'hearts not measured at the still, and spirit from elsewhere'},
            {position: 28, side: 'lost', node: 'cask loss', lpa: lost, label: 'Lost from casks', explanation: 'soakage and evaporation, from the regauges'},
            {position: 29, side: 'stock', node: 'drawn', lpa: taken, label: 'Drawn and bottled', explanation: 'samples and bottlings: moved, not lost'},
            {position: 30, side: 'carried', node: 'in cask', lpa: filled + filled_from_others - lost - taken, label: 'In casks today', explanation: 'at the last measurement of each cask'}
        ], recursive := true),
    from cask_totals
),

both_parts as (
    select
        *,
        ends_with(node, 'unexplained') as is_unexplained,
    from (
        select * from still_house
        union all
        select * from casks
    )
    where lpa is not null
),

bottle as (
    select
        max(number_value) filter (where name = 'bottle_l')
        * max(number_value) filter (where name = 'bottle_pct_vol') / 1e2 as lpa,
    from raw.setting
)

select
    -- text
    both_parts.season,
    both_parts.part,
    both_parts.position,
    both_parts.node,
    both_parts.side,
    both_parts.label,
    both_parts.explanation,
    -- numerics
    both_parts.lpa,
    flow_u.lpa_u,
    both_parts.lpa / nullif(both_parts.whole, 0e0) as share_frac,
    flow_u.share_frac_u,
    both_parts.lpa / nullif(bottle.lpa, 0e0) as bottles,
    both_parts.side = 'lost'
    and both_parts.node not in ('foreshots', 'unfermentable')
    and not both_parts.is_unexplained as is_avoidable,
    both_parts.is_unexplained,
    both_parts.batches,
from both_parts
cross join bottle
left join account.flow_u as flow_u
    on flow_u.season = both_parts.season
    and flow_u.node = both_parts.node
where both_parts.side != 'added' or abs(both_parts.lpa) > 1e-9
order by both_parts.season, both_parts.position

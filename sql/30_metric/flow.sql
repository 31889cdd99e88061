-- What:  where the season's alcohol went, step by step, in litres of pure alcohol (extract at Balling's rate).
-- Note:  part 'still house' (grain to hearts) adds up over the batches that were measured at every step, named
--        in `batches`; part 'casks' follows all hearts from there. Each loss is what one step had and the
--        next had not, so every part closes to nothing.
--        A loss is avoidable where better work could keep some of it; foreshots are not: they are not for drinking.
-- Grain: one row a season, part and position.
-- From:  metric.batch, account.run, account.lot, account.move, account.flow_u, metric.cask, raw.setting
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

measured_all_along as (
    select
        batch.season,
        batch.batch,
        max_lpa_per_kg_extract() * batch.potential_extract_kg as potential_lpa,
        max_lpa_per_kg_extract() * batch.wash_extract_kg as extract_lpa,
        batch.wash_lpa,
        run_sums.strip_charge_lpa,
        batch.low_wines_lpa,
        run_sums.low_wines_charged_lpa,
        batch.spirit_charge_lpa,
        run_sums.spirit_collected_lpa,
        coalesce(batch.foreshots_lpa, 0e0) as foreshots_lpa,
        batch.feints_in_lpa,
        batch.feints_out_lpa,
        batch.hearts_lpa,
    from metric.batch as batch
    inner join run_sums
        on run_sums.batch = batch.batch
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
        fsum(wash_lpa) as wash,
        fsum(strip_charge_lpa) as strip_charge,
        fsum(low_wines_lpa) as low_wines,
        fsum(low_wines_charged_lpa) as low_wines_charged,
        fsum(spirit_charge_lpa) as spirit_charge,
        fsum(spirit_collected_lpa) as collected,
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
            {position: 3, side: 'lost', node: 'unfermented', lpa: extract - wash, label: 'Not fermented', explanation: 'dextrin and sugar left in the finished wash'},
            {position: 4, side: 'carried', node: 'wash', lpa: wash, label: 'Alcohol in the wash', explanation: 'from original and final gravity and volume'},
            {position: 5, side: 'lost', node: 'wash not charged', lpa: wash - strip_charge, label: 'Wash not charged', explanation: 'lees and heel of the fermenter, and errors of its volume'},
            {position: 6, side: 'lost', node: 'pot ale', lpa: strip_charge - low_wines, label: 'Left in the pot ale', explanation: 'charged to the stripping runs and not collected as low wines'},
            {position: 7, side: 'carried', node: 'low wines', lpa: low_wines, label: 'Low wines', explanation: 'collected in the stripping runs'},
            {position: 8, side: 'lost', node: 'low wines not charged', lpa: low_wines - low_wines_charged, label: 'Low wines not charged', explanation: 'still in stock, spilt, or errors of measurement'},
            {position: 9, side: 'lost', node: 'foreshots', lpa: foreshots, label: 'Foreshots put away', explanation: 'never drunk; kept apart or discarded'},
            {position: 10, side: 'stock', node: 'feints', lpa: feints_out - feints_in, label: 'Feints added to stock', explanation: 'heads and tails kept, less feints charged: carried to later batches'},
            {position: 11, side: 'lost', node: 'spent lees', lpa: low_wines_charged + feints_in - foreshots - feints_out - hearts, label: 'Left in the spent lees or unexplained', explanation: 'charged to the spirit runs and not collected in any cut, with the errors of measurement'},
            {position: 12, side: 'carried', node: 'hearts', lpa: hearts, label: 'Hearts', explanation: 'the middle cut'}
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

hearts_all as (
    select
        batch.season,
        count(*) as batches,
        fsum(batch.hearts_lpa) as hearts,
        coalesce(max(hearts_held.lpa), 0e0) as held,
        coalesce(max(hearts_filled.lpa), 0e0) as filled,
    from metric.batch as batch
    left join hearts_held
        on hearts_held.season = batch.season
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
            {position: 13, side: 'carried', node: 'all hearts', lpa: hearts, label: 'Hearts of all batches', explanation: 'every batch whose hearts were measured'},
            {position: 14, side: 'stock', node: 'not in cask', lpa: held, label: 'Hearts not in a cask', explanation: 'still in their own vessels by the account'},
            {position: 15, side: 'lost', node: 'proofing', lpa: hearts - held - filled, label: 'Between hearts and cask', explanation: 'samples, proofing losses and errors of measurement'},
            {position: 16, side: 'carried', node: 'filled', lpa: filled, label: 'Filled into casks', explanation: 'fills and top-ups as measured'},
            {position: 17, side: 'added', node: 'filled from others', lpa: filled_from_others, label: 'Filled from other spirit', explanation: 'hearts not measured at the still, and spirit from elsewhere'},
            {position: 18, side: 'lost', node: 'cask loss', lpa: lost, label: 'Lost from casks', explanation: 'soakage and evaporation, from the regauges'},
            {position: 19, side: 'stock', node: 'drawn', lpa: taken, label: 'Drawn and bottled', explanation: 'samples and bottlings: moved, not lost'},
            {position: 20, side: 'carried', node: 'in cask', lpa: filled + filled_from_others - lost - taken, label: 'In casks today', explanation: 'at the last measurement of each cask'}
        ], recursive := true),
    from cask_totals
),

both_parts as (
    select * from still_house
    union all
    select * from casks
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
    both_parts.side = 'lost' and both_parts.node != 'foreshots' as is_avoidable,
    both_parts.batches,
from both_parts
cross join bottle
left join account.flow_u as flow_u
    on flow_u.season = both_parts.season
    and flow_u.node = both_parts.node
where both_parts.side != 'added' or abs(both_parts.lpa) > 1e-9
order by both_parts.season, both_parts.position

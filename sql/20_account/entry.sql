-- What:  every event that fills or draws a lot, from batch and cask logs, in one order of time.
-- Grain: one row an event, in the order in which the account is walked.
-- Part:  file_id
-- From:  log.batch_step, log.cask_step, account.logged_row, account.wash, account.jar
create or replace table account.entry as
with named_lots as (
    select distinct lower(trim(lot)) as lot_key
    from log.batch_step
    -- Only what an entry fills or empties is a lot here: whoever names it hangs together with whoever draws from it.
    where lot is not null and step in ('collect', 'dilute', 'gauge', 'discard')
),

-- A source that only says what it is ("hearts") is this batch's own, unless a lot bears that very name.
sourced as (
    select
        batch_step.*,
        logged_row.volume_20c_l,
        if(
            lower(trim(source)) in ('wash', 'low wines', 'foreshots', 'heads', 'hearts', 'tails', 'feints')
            and lower(trim(source)) not in (select lot_key from named_lots),
            batch_step.batch || ' ' || lower(trim(source)),
            trim(source)
        ) as source_lot,
    from log.batch_step as batch_step
    inner join account.logged_row as logged_row
        on logged_row.file_id = batch_step.file_id
        and logged_row.line = batch_step.line
),

wash_made as (
    select
        batch_step.path,
        batch_step.file_id,
        batch_step.line,
        batch_step.happened_at,
        'ferment' as kind,
        wash.batch,
        null as run,
        'wash' as cut,
        null as from_lot,
        wash.batch || ' wash' as to_lot,
        wash.wash_lpa / nullif(wash.wash_abv_pct_vol, 0e0) * 1e2 as volume_20c_l,
        wash.wash_lpa / nullif(wash.wash_abv_pct_vol, 0e0) * 1e2
            * density_kg_per_l_from_sg(wash.final_gravity_sg) as mass_kg,
        wash.wash_abv_pct_vol as abv_20c_pct_vol,
        'gravities' as strength_basis,
    from account.wash as wash
    inner join log.batch_step as batch_step
        on batch_step.batch = wash.batch
        and batch_step.step_no = coalesce(wash.final_step_no, wash.original_step_no)
),

charged as (
    select
        path,
        file_id,
        line,
        happened_at,
        'charge' as kind,
        batch,
        run,
        item as cut,
        case
            when item = 'water' then null
            when source is null and item in ('wash', 'low wines') then batch || ' ' || item
            else source_lot
        end as from_lot,
        null as to_lot,
        volume_20c_l,
        null as mass_kg,
        if(item = 'water', 0e0, abv_20c_pct_vol) as abv_20c_pct_vol,
        if(abv_20c_pct_vol is null and item != 'water', 'lot', 'measured') as strength_basis,
    from sourced
    where step = 'charge'
),

collected as (
    select
        batch_step.path,
        jar.file_id,
        jar.line,
        jar.happened_at,
        'collect' as kind,
        jar.batch,
        jar.run,
        jar.cut,
        null as from_lot,
        coalesce(jar.lot, jar.batch || ' ' || coalesce(jar.cut, 'not yet cut')) as to_lot,
        jar.volume_20c_l,
        null as mass_kg,
        jar.abv_20c_pct_vol,
        jar.strength_basis,
    from account.jar as jar
    inner join log.batch_step as batch_step
        on batch_step.file_id = jar.file_id
        and batch_step.line = jar.line
),

worked as (
    select
        path,
        file_id,
        line,
        happened_at,
        step as kind,
        batch,
        null as run,
        null as cut,
        source_lot as from_lot,
        lot as to_lot,
        volume_20c_l,
        mass_kg,
        if(step = 'dilute', 0e0, abv_20c_pct_vol) as abv_20c_pct_vol,
        -- A discard without an amount empties its lot; one whose amount could not be read does not.
        if(
            is_set_aside
            or coalesce(contains(cells_set_aside, 'volume') or contains(cells_set_aside, 'mass'), false),
            'not measured',
            'measured'
        ) as strength_basis,
    from sourced
    where step in ('dilute', 'gauge', 'discard')
),

cask_worked as (
    select
        cask_step.path,
        cask_step.file_id,
        cask_step.line,
        cask_step.happened_at,
        'cask ' || cask_step.step as kind,
        null as batch,
        null as run,
        null as cut,
        if(cask_step.step in ('fill', 'top up'), cask_step.source, 'cask ' || cask_step.cask) as from_lot,
        if(cask_step.step in ('fill', 'top up'), 'cask ' || cask_step.cask, null) as to_lot,
        logged_row.volume_20c_l,
        cask_step.mass_kg,
        cask_step.abv_20c_pct_vol,
        if(cask_step.abv_20c_pct_vol is null, 'lot', 'measured') as strength_basis,
    from log.cask_step as cask_step
    inner join account.logged_row as logged_row
        on logged_row.file_id = cask_step.file_id
        and logged_row.line = cask_step.line
),

all_entries as (
    select * from wash_made
    union all
    select * from charged
    union all
    select * from collected
    union all
    select * from worked
    union all
    select * from cask_worked
)

select
    -- ids
    file_id,
    line,
    batch,
    run,
    -- text
    kind,
    cut,
    from_lot,
    trim(to_lot) as to_lot,
    strength_basis,
    -- numerics
    volume_20c_l,
    mass_kg,
    abv_20c_pct_vol,
    -- timestamps
    happened_at,
from all_entries
order by happened_at nulls first, batch is null, file_id, line

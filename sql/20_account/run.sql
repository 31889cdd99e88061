-- What:  every distillation with what was charged, collected and left in the still.
-- Grain: one row a run of a batch.
-- Part:  batch
-- From:  log.batch_step, account.logged_row, account.jar, account.move
create or replace table account.run as
with charges as (
    select
        batch,
        run,
        sum_all(volume_l) as charge_volume_l,
        sum_all(lpa) as charge_lpa,
        sum_all(mass_kg) as charge_mass_kg,
        sum_where(lpa, cut = 'wash') as wash_charged_lpa,
        sum_where(lpa, cut = 'low wines') as low_wines_charged_lpa,
        sum_where(lpa, cut not in ('wash', 'low wines', 'water')) as other_charged_lpa,
        count(*) filter (where cut not in ('wash', 'low wines', 'water')) as other_charges,
        count(*) as charges,
    from account.move
    where kind = 'charge'
    group by batch, run
),

stills as (
    select
        batch,
        run,
        min(happened_at) as started_at,
        any_value(file_id order by step_no) as file_id,
        any_value(line order by step_no) as line,
        any_value(vessel order by step_no) filter (where step = 'charge') as still,
        any_value(operator order by step_no) as operator,
    from log.batch_step
    where step in ('charge', 'collect', 'residue') and run is not null
    group by batch, run
),

collections as (
    select
        batch,
        run,
        count(*) as jars,
        count(*) filter (where strength_basis != 'measured' or volume_20c_l is null) as jars_unmeasured,
        sum_all(volume_20c_l) as collected_volume_l,
        sum_all(lpa) as collected_lpa,
        sum_all(minutes_min) as minutes_min,
        any_value(spout_abv_20c_pct_vol order by jar_no desc) as last_spout_pct_vol,
        bool_and(coalesce(cut, '') = 'low wines') as is_stripping,
    from account.jar
    group by batch, run
),

residues as (
    select
        batch_step.batch,
        batch_step.run,
        sum_all(logged_row.volume_20c_l) as residue_volume_l,
        sum_all(lpa(logged_row.volume_20c_l, batch_step.abv_20c_pct_vol)) as residue_lpa,
    from log.batch_step as batch_step
    inner join account.logged_row as logged_row
        on logged_row.file_id = batch_step.file_id
        and logged_row.line = batch_step.line
    where batch_step.step = 'residue'
    group by batch_step.batch, batch_step.run
)

select
    -- ids
    stills.batch,
    stills.run,
    stills.file_id,
    stills.line,
    -- text
    if(coalesce(collections.is_stripping, false), 'stripping', 'spirit') as run_kind,
    stills.still,
    stills.operator,
    -- numerics
    charges.charge_volume_l,
    1e2 * charges.charge_lpa / nullif(charges.charge_volume_l, 0e0) as charge_abv_pct_vol,
    charges.charge_lpa,
    charges.wash_charged_lpa,
    charges.low_wines_charged_lpa,
    if(coalesce(charges.other_charges, 0) = 0, 0e0, charges.other_charged_lpa) as feints_charged_lpa,
    collections.jars,
    collections.jars_unmeasured,
    collections.collected_volume_l,
    collections.collected_lpa,
    residues.residue_volume_l,
    residues.residue_lpa,
    collections.minutes_min,
    collections.last_spout_pct_vol,
    -- timestamps
    stills.started_at,
from stills
left join charges
    on charges.batch = stills.batch
    and charges.run = stills.run
left join collections
    on collections.batch = stills.batch
    and collections.run = stills.run
left join residues
    on residues.batch = stills.batch
    and residues.run = stills.run
order by started_at nulls first, file_id, line

-- What:  every row of the logs that measures an amount, its readings as written and its volume at 20 °C.
-- Note:  a spirit's volume is corrected at its own strength; without one it stays as read, except in a charge, where
--        25 %vol is near enough for the shrinking alone.
-- Grain: one row a row of a batch or cask log (file_id, line) whose step has an amount.
-- Part:  file_id
-- From:  log.batch_step, log.cask_step, raw.batch_value, raw.cask_value
create or replace table account.logged_row as
with batch_rows as (
    select
        batch_step.file_id,
        batch_step.line,
        batch_step.batch,
        batch_step.step_no,
        batch_step.run,
        null as cask,
        batch_step.step,
        case
            when batch_step.step = 'sugar' then 'as read'
            when batch_step.step in ('wort', 'wash') then 'wort'
            when batch_step.step = 'charge' and batch_step.item = 'wash' then 'wort'
            when batch_step.step = 'dilute' or (batch_step.step = 'charge' and batch_step.item = 'water') then 'water'
            else 'spirit'
        end as liquid,
        batch_step.mass_kg,
        batch_step.volume_l,
        batch_step.gravity_sg,
        batch_step.abv_20c_pct_vol,
        batch_step.temperature_c,
        -- A reading that could not be brought to 20 °C measured nothing.
        if(batch_step.gravity_sg is null, null, batch_value.gravity_reading) as gravity_reading,
        batch_value.gravity_unit,
        if(batch_step.abv_20c_pct_vol is null, null, batch_value.strength_reading) as strength_reading,
        batch_value.strength_unit,
        if(batch_step.spout_abv_20c_pct_vol is null, null, batch_value.spout_reading) as spout_reading,
        batch_value.spout_unit,
    from log.batch_step as batch_step
    inner join raw.batch_value as batch_value
        on batch_value.file_id = batch_step.file_id
        and batch_value.line = batch_step.line
    where
        batch_step.step in (
            'grain', 'sugar', 'wort', 'wash', 'charge', 'collect', 'residue', 'dilute', 'gauge', 'discard'
        )
),

cask_rows as (
    select
        cask_step.file_id,
        cask_step.line,
        null as batch,
        null as step_no,
        null as run,
        cask_step.cask,
        cask_step.step,
        'spirit' as liquid,
        cask_step.mass_kg,
        cask_step.volume_l,
        null as gravity_sg,
        cask_step.abv_20c_pct_vol,
        cask_step.temperature_c,
        null as gravity_reading,
        null as gravity_unit,
        if(cask_step.abv_20c_pct_vol is null, null, cask_value.strength_reading) as strength_reading,
        cask_value.strength_unit,
        null as spout_reading,
        null as spout_unit,
    from log.cask_step as cask_step
    inner join raw.cask_value as cask_value
        on cask_value.file_id = cask_step.file_id
        and cask_value.line = cask_step.line
),

all_rows as (
    select * from batch_rows
    union all
    select * from cask_rows
),

with_liquid as (
    select
        *,
        case
            when liquid = 'wort' and step = 'charge' then 1e0
            when liquid = 'wort' then gravity_sg
        end as volume_sg,
        case
            when liquid = 'water' then 0e0
            when liquid = 'spirit' and step = 'charge' then coalesce(abv_20c_pct_vol, 2.5e1)
            when liquid = 'spirit' then abv_20c_pct_vol
        end as volume_abv_pct_vol,
    from all_rows
)

select
    -- ids
    file_id,
    line,
    batch,
    step_no,
    run,
    cask,
    -- text
    step,
    liquid,
    gravity_unit,
    strength_unit,
    spout_unit,
    -- numerics
    mass_kg,
    volume_l,
    gravity_reading,
    strength_reading,
    spout_reading,
    temperature_c,
    gravity_sg,
    abv_20c_pct_vol,
    volume_sg,
    volume_abv_pct_vol,
    case
        when temperature_c is null then volume_l
        when volume_sg is not null then wort_volume_at_20c(volume_l, volume_sg, temperature_c)
        when volume_abv_pct_vol is not null then volume_at_20c(volume_l, volume_abv_pct_vol, temperature_c)
        else volume_l
    end as volume_20c_l,
from with_liquid
order by file_id, line

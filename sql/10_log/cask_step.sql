-- What:  every row of the cask logs, strengths and volumes at 20 °C, in the order things happened.
-- Note:  rows set aside, and readings whose temperature was, are treated as in log.batch_step.
-- Grain: one row a row of a cask log (file_id, line).
-- Part:  cask
-- From:  raw.cask_value, raw.file
create or replace table log.cask_step as
with casks_used as (
    select distinct cask
    from raw.cask_value
    where not is_set_aside
),

dated as (
    select
        cask_value.* replace (
            if(contains(cells_set_aside, 'temperature'), null, volume_l) as volume_l,
            if(contains(cells_set_aside, 'temperature'), null, strength_reading) as strength_reading
        ),
        file.path,
        coalesce(logged_at, last_value(logged_at ignore nulls) over rows_above) as written_at,
    from raw.cask_value as cask_value
    inner join raw.file as file
        on file.file_id = cask_value.file_id
    where cask_value.cask in (select cask from casks_used)
    window rows_above as (
        partition by cask_value.file_id, cask_value.cask
        order by cask_value.line
        rows between unbounded preceding and current row
    )
),

corrected as (
    select
        *,
        -- A cask row with a date but no time belongs to the evening of that day: the still's work came first.
        if(has_time, written_at, cast(cast(written_at as date) as timestamp) + interval '23 hours 59 minutes')
            as happened_at,
        abv_from_logged(strength_reading, strength_unit, temperature_c) as abv_20c_pct_vol,
    from dated
)

select
    -- ids
    file_id,
    line,
    cask,
    -- text
    step,
    source,
    wood,
    toast,
    char,
    place,
    previous,
    item,
    note,
    cells_set_aside,
    -- numerics
    volume_l,
    mass_kg,
    abv_20c_pct_vol,
    temperature_c,
    capacity_l,
    is_set_aside,
    -- timestamps
    has_time,
    happened_at,
    path,
from corrected
order by happened_at nulls first, path, line

-- What:  what the still's sensors showed in every minute of a run, medians of the rows of that minute.
-- Note:  two loggers of one run are put together; where both have a sensor, their mean is taken.
-- Grain: one row a minute of a run.
-- From:  raw.telemetry_minute
create or replace table log.telemetry_minute as
select
    -- ids
    batch,
    run,
    any_value(file_id order by file_id, line) as file_id,
    any_value(line order by file_id, line) as line,
    -- numerics
    cast(sum(rows) as bigint) as telemetry_rows,
    favg(vapour_c) as vapour_c,
    favg(kettle_c) as kettle_c,
    favg(power_kw) as power_kw,
    favg(takeoff_per_min_l) as takeoff_per_min_l,
    favg(abv_from_logged(strength_reading, strength_unit, null)) as inline_abv_pct_vol,
    favg(barometer_hpa) as barometer_hpa,
    -- timestamps
    minute_at,
from raw.telemetry_minute
group by batch, run, minute_at
order by batch, run, minute_at

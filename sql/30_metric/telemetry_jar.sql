-- What:  what the sensors showed while each jar was filled, beside what was read of the jar itself.
-- Note:  a jar was filled in the minutes before the time of its row: its own `minutes`, else since the jar before it.
-- Grain: one row a jar with a time, in a run that has telemetry.
-- Part:  batch
-- From:  account.jar, log.batch_step, log.telemetry_minute, metric.run
create or replace table metric.telemetry_jar as
with timed as (
    select
        jar.batch,
        jar.run,
        jar.jar_no,
        jar.cut,
        jar.volume_20c_l as volume_l,
        if(jar.strength_basis = 'measured', jar.abv_20c_pct_vol, null) as abv_20c_pct_vol,
        jar.happened_at as filled_at,
        coalesce(
            jar.happened_at - to_seconds(6e1 * jar.minutes_min),
            lag(jar.happened_at) over (partition by jar.batch, jar.run order by jar.jar_no)
        ) as begun_at,
    from account.jar as jar
    inner join log.batch_step as batch_step
        on batch_step.file_id = jar.file_id
        and batch_step.line = jar.line
        and batch_step.has_time
)

select
    -- ids
    timed.batch,
    timed.run,
    any_value(run.season) as season,
    timed.jar_no,
    -- text
    any_value(timed.cut) as cut,
    -- numerics
    count(*) as telemetry_minutes,
    favg(minute.vapour_c) as vapour_c,
    favg(minute.kettle_c) as kettle_c,
    favg(minute.takeoff_per_min_l) as takeoff_per_min_l,
    favg(minute.inline_abv_pct_vol) as inline_abv_pct_vol,
    any_value(timed.abv_20c_pct_vol) as abv_20c_pct_vol,
    favg(minute.inline_abv_pct_vol) - any_value(timed.abv_20c_pct_vol) as inline_difference_pct_vol,
from timed
inner join log.telemetry_minute as minute
    on minute.batch = timed.batch
    and minute.run = timed.run
    and minute.minute_at >= timed.begun_at
    and minute.minute_at < timed.filled_at
inner join metric.run as run
    on run.batch = timed.batch
    and run.run = timed.run
group by timed.batch, timed.run, timed.jar_no
order by batch, run, jar_no

-- What:  telemetry more than three hours before or after everything that its run's log dates: two clocks.
-- Grain: one row a problem found.
-- Part:  batch
-- From:  log.telemetry_minute, log.batch_step
create or replace table problem.telemetry_outside_run as
with logged as (
    select
        batch,
        run,
        -- A date without a time is any hour of that day.
        min(if(has_time, happened_at, date_trunc('day', happened_at))) as first_at,
        max(if(has_time, happened_at, date_trunc('day', happened_at) + interval 1 day)) as last_at,
    from log.batch_step
    where run is not null and has_time is not null
    group by batch, run
)

select
    any_value(minute.file_id order by minute_at) as file_id,
    any_value(minute.line order by minute_at) as line,
    minute.batch,
    'when' as column_name,
    count(*) || ' min of ' || minute.batch || ' ' || minute.run || ' outside its hours, from '
    || strftime(min(minute_at), '%Y-%m-%d %H:%M') || ' to ' || strftime(max(minute_at), '%Y-%m-%d %H:%M') as found,
    'times within three hours of ' || strftime(any_value(first_at), '%Y-%m-%d %H:%M') || ' to '
    || strftime(any_value(last_at), '%Y-%m-%d %H:%M') || ', as the log has the run' as expected,
from log.telemetry_minute as minute
inner join logged
    on logged.batch = minute.batch
    and logged.run = minute.run
where minute_at < first_at - interval 3 hours or minute_at > last_at + interval 3 hours
group by minute.batch, minute.run
order by file_id, line

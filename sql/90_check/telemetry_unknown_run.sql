-- What:  telemetry of runs that no batch log knows.
-- Grain: one row a problem found.
-- From:  log.telemetry_minute, log.batch_step
create or replace table problem.telemetry_unknown_run as
with logged as (
    select distinct
        batch,
        run,
    from log.batch_step
    where run is not null
),

unknown as (
    select
        batch,
        run,
        any_value(file_id order by minute_at) as file_id,
        any_value(line order by minute_at) as line,
    from log.telemetry_minute
    where (batch, run) not in (select (batch, run) from logged)
    group by batch, run
)

select
    file_id,
    line,
    batch,
    'run' as column_name,
    batch || ' ' || run as found,
    coalesce(
        'a run of the logs; of batch ' || batch || ' they know '
        || (select string_agg(logged.run, ', ' order by logged.run) from logged where logged.batch = unknown.batch),
        'a batch and a run of the logs'
    ) as expected,
from unknown
order by file_id, line

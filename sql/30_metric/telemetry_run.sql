-- What:  what the sensors say of a run: how it heated up, when the first drop came, how fast spirit ran.
-- Note:  the first drop is the first minute in which spirit ran or, without a take-off sensor, in which the vapour
--        came within 5 °C of the hottest it was up to half an hour later.
-- Grain: one row a run that has telemetry.
-- Part:  batch
-- From:  log.telemetry_minute, metric.run
create or replace table metric.telemetry_run as
with minutes as (
    select
        telemetry_minute.*,
        run.season,
        run.run_kind,
        run.collected_volume_l,
        minute_at - lag(minute_at) over in_order as since,
        -- The head fills with hot vapour within minutes: before that it is as warm as the room.
        max(vapour_c) over half_hour as vapour_soon_c,
        min(vapour_c) over whole as vapour_least_c,
        max(vapour_c) over whole as vapour_most_c,
        count(takeoff_per_min_l) over whole as takeoff_minutes,
    from log.telemetry_minute as telemetry_minute
    inner join metric.run as run
        on run.batch = telemetry_minute.batch
        and run.run = telemetry_minute.run
    window
        in_order as (partition by telemetry_minute.batch, telemetry_minute.run order by minute_at),
        whole as (partition by telemetry_minute.batch, telemetry_minute.run),
        half_hour as (
            partition by telemetry_minute.batch, telemetry_minute.run
            order by minute_at
            range between current row and interval 30 minutes following
        )
),

begun as (
    select
        batch,
        run,
        coalesce(
            min(minute_at) filter (where takeoff_per_min_l > 2e-3),
            min(minute_at) filter (
                where takeoff_minutes = 0
                and vapour_most_c - vapour_least_c > 2e1
                and vapour_c > 6e1
                and vapour_c > vapour_soon_c - 5e0
            )
        ) as first_drop_at,
        coalesce(min(minute_at) filter (where power_kw > 0e0), min(minute_at)) as heating_from_at,
    from minutes
    group by batch, run
),

measured as (
    select
        minutes.batch,
        minutes.run,
        any_value(season) as season,
        any_value(run_kind) as run_kind,
        any_value(collected_volume_l) as collected_volume_l,
        any_value(file_id order by minute_at) as file_id,
        any_value(line order by minute_at) as line,
        cast(sum(telemetry_rows) as bigint) as telemetry_rows,
        count(*) as telemetry_minutes,
        cast(coalesce(sum(date_diff('minute', minute_at - since, minute_at) - 1) filter (where since > interval 1 minute), 0) as bigint) as minutes_without,
        min(minute_at) as telemetry_from_at,
        max(minute_at) as telemetry_until_at,
        any_value(first_drop_at) as first_drop_at,
        any_value(heating_from_at) as heating_from_at,
        any_value(kettle_c order by minute_at) filter (where minute_at >= heating_from_at and kettle_c is not null) as kettle_cold_c,
        any_value(kettle_c order by minute_at) filter (where minute_at >= first_drop_at and kettle_c is not null) as kettle_first_drop_c,
        fsum(takeoff_per_min_l) as takeoff_volume_l,
        favg(takeoff_per_min_l) filter (where minute_at >= first_drop_at) as takeoff_per_min_l,
        regr_slope(takeoff_per_min_l, epoch(minute_at) / 6e1 order by minute_at) filter (where minute_at >= first_drop_at and takeoff_per_min_l > 2e-3) as takeoff_slope,
        favg(barometer_hpa) as barometer_hpa,
    from minutes
    inner join begun
        using (batch, run)
    group by minutes.batch, minutes.run
)

select
    -- ids
    batch,
    run,
    season,
    file_id,
    line,
    -- text
    run_kind,
    -- numerics
    telemetry_rows,
    telemetry_minutes,
    minutes_without,
    date_diff('minute', heating_from_at, first_drop_at) as heating_min,
    kettle_cold_c,
    kettle_first_drop_c,
    (kettle_first_drop_c - kettle_cold_c)
    / nullif(date_diff('minute', heating_from_at, first_drop_at), 0) as heat_up_c_per_minute,
    takeoff_per_min_l,
    takeoff_slope * date_diff('minute', first_drop_at, telemetry_until_at)
    / nullif(takeoff_per_min_l, 0e0) as takeoff_drift_frac,
    -- What ran by the rate, where no minute of the run is missing.
    if(minutes_without = 0, takeoff_volume_l, null) as takeoff_volume_l,
    collected_volume_l,
    barometer_hpa,
    -- timestamps
    telemetry_from_at,
    telemetry_until_at,
    first_drop_at,
from measured
order by batch, run

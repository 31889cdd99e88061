-- What:  every jar or vessel filled off a still, with its strength and where that strength comes from.
-- Grain: one row a collect row of a batch log.
-- Part:  batch
-- From:  log.batch_step, account.logged_row
--
-- A jar whose strength was not read takes the value between its neighbours, but only where jars are small
-- against the run: strength falls smoothly from jar to jar, not from receiver to receiver.
create or replace table account.jar as
with collected as (
    select
        batch_step.*,
        logged_row.volume_20c_l,
        batch_step.abv_20c_pct_vol as measured_abv_pct_vol,
        row_number() over run_order as jar_no,
        fsum(batch_step.volume_l) over run_order as volume_to_end_l,
        fsum(batch_step.volume_l) over (partition by batch_step.batch, batch_step.run) as run_volume_l,
        count(batch_step.volume_l) over (partition by batch_step.batch, batch_step.run)
        = count(*) over (partition by batch_step.batch, batch_step.run) as has_every_volume,
    from log.batch_step as batch_step
    inner join account.logged_row as logged_row
        on logged_row.file_id = batch_step.file_id
        and logged_row.line = batch_step.line
    where batch_step.step = 'collect'
    window run_order as (
        partition by batch_step.batch, batch_step.run
        order by batch_step.step_no
        rows between unbounded preceding and current row
    )
),

placed as (
    select
        *,
        volume_to_end_l - volume_l / 2e0 as middle_l,
        has_every_volume and volume_l <= 0.2e0 * run_volume_l as is_small,
    from collected
),

with_neighbours as (
    select
        *,
        lag(measured_abv_pct_vol) over run_order as abv_before,
        lag(middle_l) over run_order as middle_before_l,
        lag(is_small) over run_order as is_small_before,
        lead(measured_abv_pct_vol) over run_order as abv_after,
        lead(middle_l) over run_order as middle_after_l,
        lead(is_small) over run_order as is_small_after,
    from placed
    window run_order as (partition by batch, run order by jar_no)
),

with_strength as (
    select
        * exclude (abv_20c_pct_vol),
        case
            when measured_abv_pct_vol is not null then measured_abv_pct_vol
            when is_small and is_small_before and is_small_after then
                abv_before
                + (abv_after - abv_before) * (middle_l - middle_before_l)
                / nullif(middle_after_l - middle_before_l, 0e0)
        end as abv_20c_pct_vol,
    from with_neighbours
)

select
    -- ids
    file_id,
    line,
    batch,
    run,
    jar_no,
    -- text
    cut,
    item,
    lot,
    vessel,
    case
        when measured_abv_pct_vol is not null then 'measured'
        when abv_20c_pct_vol is not null then 'between neighbours'
        else 'not measured'
    end as strength_basis,
    -- numerics
    volume_20c_l,
    abv_20c_pct_vol,
    spout_abv_20c_pct_vol,
    lpa(volume_20c_l, abv_20c_pct_vol) as lpa,
    minutes_min,
    is_small,
    -- timestamps
    happened_at,
from with_strength
order by happened_at nulls first, file_id, line

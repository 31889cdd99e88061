-- What:  how long each batch worked and rested: from pitching to its final gravity, from there to the still.
-- Grain: one row a batch with a final gravity.
-- Part:  batch
-- From:  log.batch_step, account.wash, account.batch
create or replace table account.ferment as
with fell as (
    select
        batch_step.batch,
        -- Within one hydrometer mark of the final gravity the wash is called dry (common practice, no source).
        min(batch_step.happened_at) as dry_at,
    from log.batch_step as batch_step
    inner join account.wash as wash
        on wash.batch = batch_step.batch
    where
        batch_step.step = 'wash'
        and batch_step.step_no > wash.original_step_no
        and batch_step.gravity_sg <= wash.final_gravity_sg + 1e-3
    group by batch_step.batch
),

soured as (
    select
        batch,
        any_value(ph order by step_no desc) as last_ph,
        favg(temperature_c) as mean_temperature_c,
    from log.batch_step
    where step = 'wash'
    group by batch
)

select
    -- ids
    batch.batch,
    -- numerics
    date_diff('minute', batch.pitched_at, fell.dry_at) / 1.44e3 as ferment_days,
    date_diff('minute', fell.dry_at, batch.first_charged_at) / 1.44e3 as rest_days,
    soured.last_ph as final_ph,
    soured.mean_temperature_c as ferment_temperature_c,
    -- timestamps
    fell.dry_at,
from account.batch as batch
inner join fell
    on fell.batch = batch.batch
left join soured
    on soured.batch = batch.batch
order by batch

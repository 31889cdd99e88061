-- What:  washes that end heavier than they began: nothing ferments upwards.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.wash, log.batch_step, raw.setting
create or replace table problem.final_gravity_above_original as
with hydrometer as (
    select number_value as gravity_u_sg
    from raw.setting
    where name = 'uncertainty.gravity_sg'
)

select
    batch_step.file_id,
    batch_step.line,
    wash.batch,
    'gravity' as column_name,
    printf('%.4f', wash.final_gravity_sg) as found,
    printf('at most the original gravity, %.4f', wash.original_gravity_sg) as expected,
from account.wash as wash
cross join hydrometer
inner join log.batch_step as batch_step
    on batch_step.batch = wash.batch
    and batch_step.step_no = wash.final_step_no
-- Two readings of one hydrometer: three standard uncertainties of their difference.
where wash.final_gravity_sg > wash.original_gravity_sg + 3e0 * sqrt(2e0) * hydrometer.gravity_u_sg
order by file_id, line

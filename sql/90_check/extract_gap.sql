-- What:  washes whose extract disagrees with that of the worts and sugar run into them.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.wash, log.batch_step, raw.setting
create or replace table problem.extract_gap as
with instruments as (
    select
        max(number_value) filter (where name = 'uncertainty.volume_frac') as volume_u_frac,
        max(number_value) filter (where name = 'uncertainty.gravity_sg') as gravity_u_sg,
    from raw.setting
),

compared as (
    select
        wash.*,
        wash.wort_extract_kg + wash.sugar_extract_kg as added_extract_kg,
        -- Volumes of the worts and of the wash, and both gravities, as fractions of the extract.
        sqrt(
            2e0 * power(instruments.volume_u_frac, 2)
            + 2e0 * power(instruments.gravity_u_sg / nullif(wash.original_gravity_sg - 1e0, 0e0), 2)
        ) as difference_u_frac,
    from account.wash as wash
    cross join instruments
)

select
    batch_step.file_id,
    batch_step.line,
    compared.batch,
    'gravity' as column_name,
    printf('%.1f kg extract by the original gravity', compared.wash_extract_kg) as found,
    printf('about %.1f kg, which is what the worts and the sugar brought', compared.added_extract_kg) as expected,
from compared
inner join log.batch_step as batch_step
    on batch_step.batch = compared.batch
    and batch_step.step_no = compared.original_step_no
where
    abs(compared.wash_extract_kg - compared.added_extract_kg)
    > 4e0 * compared.difference_u_frac * compared.added_extract_kg
order by file_id, line

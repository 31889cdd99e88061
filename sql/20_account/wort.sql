-- What:  every mash's wort: volume and gravity at 20 degC and the extract it carried into the fermenter.
-- Grain: one row a wort row of a batch log.
-- From:  log.batch_step
create or replace table account.wort as
with worts as (
    select
        *,
        if(
            temperature_c is null,
            volume_l,
            wort_volume_at_20c(volume_l, gravity_sg, temperature_c)
        ) as volume_20c_l,
    from log.batch_step
    where step = 'wort'
)

select
    -- ids
    step_id,
    file_id,
    line,
    batch,
    -- numerics
    volume_20c_l,
    gravity_sg,
    gravity_plato,
    extract_kg(volume_20c_l, gravity_sg) as extract_kg,
    volume_20c_l * density_kg_per_l_from_sg(gravity_sg) as mass_kg,
    -- timestamps
    happened_at,
from worts
order by step_id

-- What:  every mash's wort: volume and gravity at 20 °C and the extract it carried into the fermenter.
-- Grain: one row a wort row of a batch log.
-- Part:  batch
-- From:  account.logged_row
create or replace table account.wort as
select
    -- ids
    file_id,
    line,
    batch,
    step_no,
    -- numerics
    volume_20c_l,
    gravity_sg,
    plato_from_sg(gravity_sg) as gravity_plato,
    extract_kg(volume_20c_l, gravity_sg) as extract_kg,
    volume_20c_l * density_kg_per_l_from_sg(gravity_sg) as mass_kg,
from account.logged_row
where step = 'wort'
order by batch, step_no

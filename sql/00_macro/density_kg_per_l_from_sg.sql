-- What:  density at 20 °C of a wort or wash from its specific gravity 20/20 °C.
-- From:  nothing
create or replace macro density_kg_per_l_from_sg(gravity_sg) as
    gravity_sg * water_density_kg_per_m3(2e1) / 1e3

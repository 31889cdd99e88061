-- What:  temperatures in the kettle or its vapour that do not go with the strength there, beyond what instruments allow.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  fit.boiling
create or replace table problem.boiling_disagrees as
select
    file_id,
    line,
    batch,
    thermometer as column_name,
    printf('%.1f °C under %.0f hPa', temperature_c, barometer_hpa)
    || coalesce(
        printf(', which tells %.1f to %.1f %%vol',
            greatest(boiling_abv_pct_vol - 2e0 * boiling_abv_pct_vol_u, 0e0),
            boiling_abv_pct_vol + 2e0 * boiling_abv_pct_vol_u),
        ', where no spirit boils'
    ) as found,
    printf('%.1f °C for the %.1f %%vol of ', temperature_expected_c, compared_abv_pct_vol)
    || compared_with as expected,
from fit.boiling
where is_boiling_off
order by file_id, line, column_name

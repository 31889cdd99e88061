-- What:  jars stronger or weaker than both jars beside them: strength falls through a run.
-- Note:  a strength that the run's curve has told already (jar_off_curve) is left out, as if it had not been read:
--        one jar is named once, and its neighbours are not blamed for it.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.jar, fit.jar_expected, raw.setting
create or replace table problem.jar_out_of_order as
with alcoholometer as (
    select number_value as strength_u_pct_vol
    from raw.setting
    where name = 'uncertainty.strength_pct_vol'
),

told_by_curve as (
    select
        file_id,
        line,
    from fit.jar_expected
    where suspect_column = 'strength'
),

with_neighbours as (
    select
        jar.file_id,
        jar.line,
        jar.batch,
        jar.abv_20c_pct_vol,
        lag(jar.abv_20c_pct_vol) over run_order as abv_before,
        lead(jar.abv_20c_pct_vol) over run_order as abv_after,
    from account.jar as jar
    anti join told_by_curve
        on told_by_curve.file_id = jar.file_id and told_by_curve.line = jar.line
    -- Only what was read can be read wrongly.
    where jar.strength_basis = 'measured'
    window run_order as (partition by jar.batch, jar.run order by jar.jar_no)
)

select
    file_id,
    line,
    batch,
    'strength' as column_name,
    printf('%.1f %%vol at 20 °C between jars of %.1f and %.1f %%vol', abv_20c_pct_vol, abv_before, abv_after)
        as found,
    printf(
        'a strength from %.1f to %.1f %%vol, for it falls from jar to jar',
        least(abv_before, abv_after),
        greatest(abv_before, abv_after)
    ) as expected,
from with_neighbours
cross join alcoholometer
-- Five standard uncertainties of the difference of two readings.
where
    abv_before is not null
    and abv_after is not null
    and (
        abv_20c_pct_vol > greatest(abv_before, abv_after) + 5e0 * sqrt(2e0) * alcoholometer.strength_u_pct_vol
        or abv_20c_pct_vol < least(abv_before, abv_after) - 5e0 * sqrt(2e0) * alcoholometer.strength_u_pct_vol
    )
order by file_id, line

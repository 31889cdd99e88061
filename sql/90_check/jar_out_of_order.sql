-- What:  jars stronger or weaker than both jars beside them: strength falls through a run.
-- Grain: one row a problem found.
-- From:  account.jar, raw.setting
create or replace table problem.jar_out_of_order as
with alcoholometer as (
    select number_value as strength_u_pct_vol
    from raw.setting
    where name = 'uncertainty.strength_pct_vol'
),

with_neighbours as (
    select
        *,
        lag(abv_20c_pct_vol) over run_order as abv_before,
        lead(abv_20c_pct_vol) over run_order as abv_after,
    from account.jar
    -- Only what was read can be read wrongly.
    where strength_basis = 'measured'
    window run_order as (partition by batch, run order by jar_no)
)

select
    file_id,
    line,
    batch,
    'strength' as column_name,
    printf('%.1f %%vol at 20 degC between jars of %.1f and %.1f %%vol', abv_20c_pct_vol, abv_before, abv_after)
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

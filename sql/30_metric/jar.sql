-- What:  every jar of every run with its place in the run, as a share of the alcohol charged.
-- Grain: one row a jar (batch, run, jar_no).
-- Part:  batch
-- From:  account.jar, account.jar_u, account.run
create or replace table metric.jar as
with cumulated as (
    select
        jar.*,
        run.charge_lpa,
        run.run_kind,
        fsum(jar.lpa) over run_order as lpa_to_end,
        count(jar.lpa) over run_order = count(*) over run_order as is_measured_so_far,
    from account.jar as jar
    inner join account.run as run
        on run.batch = jar.batch
        and run.run = jar.run
    window run_order as (
        partition by jar.batch, jar.run
        order by jar.jar_no
        rows between unbounded preceding and current row
    )
)

select
    -- ids
    batch,
    run,
    jar_no,
    file_id,
    line,
    -- text
    run_kind,
    cut,
    item,
    strength_basis,
    -- numerics
    volume_20c_l as volume_l,
    abv_20c_pct_vol,
    spout_abv_20c_pct_vol,
    lpa,
    if(is_measured_so_far, (lpa_to_end - lpa) / nullif(charge_lpa, 0e0), null) as lpa_frac_start,
    if(is_measured_so_far, lpa_to_end / nullif(charge_lpa, 0e0), null) as lpa_frac_end,
    minutes_min,
    is_small,
    -- numerics: standard uncertainties
    jar_u.* exclude (batch, run, jar_no),
from cumulated
inner join account.jar_u as jar_u
    using (batch, run, jar_no)
order by batch, run, jar_no

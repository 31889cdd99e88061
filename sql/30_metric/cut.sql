-- What:  every cut of every run: how much, how strong, what share of the alcohol charged.
-- Grain: one row a cut of a run.
-- Part:  batch
-- From:  metric.jar, account.cut_u, account.run, account.batch
create or replace table metric.cut as
with cuts as (
    select
        batch,
        run,
        coalesce(cut, 'not yet cut') as cut,
        min(jar_no) as first_jar_no,
        count(*) as jars,
        sum_all(volume_l) as volume_l,
        sum_all(lpa) as lpa,
        sum_all(minutes_min) as minutes_min,
        any_value(spout_abv_20c_pct_vol order by jar_no) as first_spout_pct_vol,
        any_value(spout_abv_20c_pct_vol order by jar_no desc) as last_spout_pct_vol,
    from metric.jar
    group by batch, run, coalesce(cut, 'not yet cut')
)

select
    -- ids
    cuts.batch,
    cuts.run,
    batch.season,
    -- text
    cuts.cut,
    run.run_kind,
    -- numerics
    cuts.jars,
    cuts.volume_l,
    1e2 * cuts.lpa / nullif(cuts.volume_l, 0e0) as abv_pct_vol,
    cuts.lpa,
    cuts.lpa / nullif(run.charge_lpa, 0e0) as lpa_frac,
    cuts.minutes_min,
    cuts.first_spout_pct_vol,
    cuts.last_spout_pct_vol,
    -- numerics: standard uncertainties
    cut_u.* exclude (batch, run, cut),
from cuts
inner join account.run as run
    on run.batch = cuts.batch
    and run.run = cuts.run
inner join account.cut_u as cut_u
    on cut_u.batch = cuts.batch
    and cut_u.run = cuts.run
    and cut_u.cut = cuts.cut
inner join account.batch as batch
    on batch.batch = cuts.batch
order by batch, run, list_position(['foreshots', 'heads', 'hearts', 'tails', 'feints', 'low wines'], cuts.cut), cuts.cut

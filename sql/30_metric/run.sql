-- What:  every distillation: what went in, what came out, where the cuts fell.
-- Grain: one row a run of a batch.
-- Part:  batch
-- From:  account.run, account.run_u, account.run_ancestry, account.batch, metric.jar, metric.cut
create or replace table metric.run as
with cuts as (
    select
        batch,
        run,
        max(lpa_frac) filter (where cut = 'foreshots') as foreshots_frac,
        max(lpa_frac) filter (where cut = 'heads') as heads_frac,
        max(lpa_frac) filter (where cut = 'hearts') as hearts_frac,
        max(lpa_frac) filter (where cut = 'tails') as tails_frac,
        max(lpa_frac) filter (where cut = 'feints') as feints_frac,
        max(lpa_frac) filter (where cut = 'not yet cut') as not_yet_cut_frac,
    from metric.cut
    group by batch, run
),

-- A cut is made where one jar ends: at the spout if it was read, else between two small jars.
jars_with_neighbours as (
    select
        jar.*,
        lag(cut) over run_order as cut_before,
        lead(cut) over run_order as cut_after,
        lag(spout_abv_20c_pct_vol) over run_order as spout_before_pct_vol,
        lag(abv_20c_pct_vol) over run_order as abv_before_pct_vol,
        lag(volume_l) over run_order as volume_before_l,
        lag(is_small) over run_order as is_small_before,
        lead(abv_20c_pct_vol) over run_order as abv_after_pct_vol,
        lead(volume_l) over run_order as volume_after_l,
        lead(is_small) over run_order as is_small_after,
    from metric.jar as jar
    window run_order as (partition by batch, run order by jar_no)
),

hearts_started as (
    select
        batch,
        run,
        coalesce(
            spout_before_pct_vol,
            case
                when is_small and is_small_before then
                    (abv_before_pct_vol * volume_l + abv_20c_pct_vol * volume_before_l)
                    / nullif(volume_l + volume_before_l, 0e0)
            end
        ) as hearts_start_pct_vol,
    from jars_with_neighbours
    where cut = 'hearts' and cut_before is distinct from 'hearts'
    qualify row_number() over (partition by batch, run order by jar_no) = 1
),

hearts_ended as (
    select
        batch,
        run,
        coalesce(
            spout_abv_20c_pct_vol,
            case
                when is_small and is_small_after then
                    (abv_20c_pct_vol * volume_after_l + abv_after_pct_vol * volume_l)
                    / nullif(volume_l + volume_after_l, 0e0)
            end
        ) as hearts_end_pct_vol,
    from jars_with_neighbours
    where cut = 'hearts' and cut_after is distinct from 'hearts'
    qualify row_number() over (partition by batch, run order by jar_no desc) = 1
),

-- Whose wash the charge came from, and so each of its jars.
origins as (
    select
        batch,
        run,
        origin_words(origin_batch, is_by_feints, is_pooled, share_frac) as origin,
    from account.run_ancestry
    group by batch, run
)

select
    -- ids
    run.batch,
    run.run,
    batch.season,
    -- text
    run.run_kind,
    run.still,
    run.operator,
    origins.origin,
    -- numerics
    run.charge_volume_l,
    run.charge_abv_pct_vol,
    run.charge_lpa,
    run.collected_volume_l,
    run.collected_lpa,
    run.residue_lpa,
    run.charge_lpa - run.collected_lpa - coalesce(run.residue_lpa, 0e0) as gap_lpa,
    run.collected_lpa / nullif(run.charge_lpa, 0e0) as recovery_frac,
    run.minutes_min,
    run.jars,
    run.jars_unmeasured,
    run.last_spout_pct_vol,
    cuts.foreshots_frac,
    cuts.heads_frac,
    cuts.hearts_frac,
    cuts.tails_frac,
    cuts.feints_frac,
    cuts.not_yet_cut_frac,
    run.residue_lpa / nullif(run.charge_lpa, 0e0) as residue_frac,
    (run.charge_lpa - run.collected_lpa - coalesce(run.residue_lpa, 0e0)) / nullif(run.charge_lpa, 0e0) as gap_frac,
    hearts_started.hearts_start_pct_vol,
    hearts_ended.hearts_end_pct_vol,
    -- numerics: standard uncertainties
    run_u.* exclude (batch, run),
    -- timestamps
    run.started_at,
from account.run as run
inner join account.batch as batch
    on batch.batch = run.batch
inner join account.run_u as run_u
    on run_u.batch = run.batch
    and run_u.run = run.run
left join origins
    on origins.batch = run.batch
    and origins.run = run.run
left join cuts
    on cuts.batch = run.batch
    and cuts.run = run.run
left join hearts_started
    on hearts_started.batch = run.batch
    and hearts_started.run = run.run
left join hearts_ended
    on hearts_ended.batch = run.batch
    and hearts_ended.run = run.run
order by started_at nulls last, batch, run

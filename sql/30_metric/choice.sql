-- What:  how the batches of each grain bill, and those of each yeast, did: mean yield with its 95 % interval between batches.
-- Note:  raw means over batches: grain, yeast and weather go together here, and nothing is held constant. Two batches
--        cannot tell how far yields scatter: they have no interval. No interval of a yield reaches below zero.
-- Grain: one row a season, family ('grain bill' or 'yeast') and choice.
-- From:  metric.batch, metric.sample_score, account.batch, raw.student_t
create or replace table metric.choice as
with scored as (
    select
        batch,
        favg(score_mean) as score_overall,
    from metric.sample_score
    where attribute = 'overall' and batch is not null
    group by batch
),

measured as (
    select
        batch.*,
        account_batch.begun_at,
        account_batch.file_id,
        account_batch.line,
        scored.score_overall,
        unnest([
            {'family': 'grain bill', 'choice': batch.grain_bill, 'made_of': batch.composition},
            {'family': 'yeast', 'choice': batch.yeast, 'made_of': null}
        ], recursive := true),
    from metric.batch as batch
    inner join account.batch as account_batch
        on account_batch.batch = batch.batch
    left join scored
        on scored.batch = batch.batch
),

grouped as (
    select
        season,
        family,
        coalesce(choice, 'not logged') as choice,
        any_value(made_of order by begun_at nulls first, file_id, line) as composition,
        count(*) as batches,
        count(yield_lpa_per_kg) as batches_measured,
        favg(yield_lpa_per_kg) as yield_mean_lpa_per_kg,
        stddev_samp(yield_lpa_per_kg order by begun_at nulls first, file_id, line) as yield_sd_lpa_per_kg,
        favg(hearts_lpa_per_kg) as hearts_lpa_per_kg_mean,
        favg(mash_efficiency_frac) as mash_efficiency_mean_frac,
        favg(real_attenuation_frac) as real_attenuation_mean_frac,
        favg(score_overall) as score_overall_mean,
        count(score_overall) as score_batches,
    from measured
    group by season, family, coalesce(choice, 'not logged')
)

select
    -- text
    grouped.season,
    grouped.family,
    grouped.choice,
    grouped.composition,
    -- numerics
    grouped.batches,
    grouped.batches_measured,
    grouped.yield_mean_lpa_per_kg,
    grouped.yield_sd_lpa_per_kg,
    grouped.yield_sd_lpa_per_kg / sqrt(grouped.batches_measured) as yield_se_lpa_per_kg,
    lower_end(
        grouped.yield_mean_lpa_per_kg,
        student_t.quantile * grouped.yield_sd_lpa_per_kg / sqrt(grouped.batches_measured)
    ) as yield_low_lpa_per_kg,
    grouped.yield_mean_lpa_per_kg
        + student_t.quantile * grouped.yield_sd_lpa_per_kg / sqrt(grouped.batches_measured)
        as yield_high_lpa_per_kg,
    grouped.hearts_lpa_per_kg_mean,
    grouped.mash_efficiency_mean_frac,
    grouped.real_attenuation_mean_frac,
    grouped.score_overall_mean,
    grouped.score_batches,
from grouped
left join raw.student_t as student_t
    on student_t.degrees_of_freedom = grouped.batches_measured - 1
    and grouped.batches_measured >= 3
order by grouped.season, grouped.family, grouped.yield_mean_lpa_per_kg desc nulls last, grouped.choice

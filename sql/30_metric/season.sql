-- What:  the season at a glance.
-- Note:  two batches cannot tell how far yields scatter: they have no interval, see metric.choice.
-- Grain: one row a season.
-- From:  account.season_u, metric.batch, metric.cask, metric.sample_score, log.tasting_pour, raw.student_t, raw.setting
create or replace table metric.season as
with season_start as (
    select text_value as starts
    from raw.setting
    where name = 'season_starts'
),

batches as (
    select
        season,
        min(mashed_on) as first_on,
        max(mashed_on) as last_on,
        count(*) as batches,
        count(distinct yeast) as yeasts,
        fsum(grain_kg) as grain_kg,
        fsum(sugar_kg) as sugar_kg,
        fsum(potential_extract_kg) as potential_extract_kg,
        fsum(wash_lpa) as wash_lpa,
        count(wash_lpa) as wash_batches,
        fsum(low_wines_lpa) as low_wines_lpa,
        count(low_wines_lpa) as low_wines_batches,
        fsum(hearts_lpa) as hearts_lpa,
        count(hearts_lpa) as hearts_batches,
        fsum(net_spirit_lpa) as net_spirit_lpa,
        fsum(if(yield_lpa_per_kg is null, null, grain_kg + sugar_kg)) as fermentables_of_yield_kg,
        fsum(if(yield_lpa_per_kg is null, null, net_spirit_lpa)) as net_of_yield_lpa,
        fsum(if(hearts_lpa_per_kg is null, null, hearts_lpa)) as hearts_of_yield_lpa,
        fsum(if(hearts_lpa_per_kg is null, null, grain_kg + sugar_kg)) as fermentables_of_hearts_kg,
        count(yield_lpa_per_kg) as yield_batches,
        favg(yield_lpa_per_kg) as yield_mean_lpa_per_kg,
        stddev_samp(yield_lpa_per_kg order by batch) as yield_sd_lpa_per_kg,
    from metric.batch
    group by season
),

casks as (
    select
        season,
        count(*) as casks,
        sum_all(now_lpa) as cask_lpa_now,
    from metric.cask
    group by season
),

tastings as (
    select
        season_of(pour.happened_at, season_start.starts) as season,
        count(distinct pour.session || '/' || pour.sample) as samples,
        count(distinct pour.assessor) as assessors,
    from log.tasting_pour as pour
    cross join season_start
    group by 1
),

scores as (
    select
        season,
        cast(sum(scores) as bigint) as scores,
    from metric.sample_score
    group by season
)

select
    -- text
    batches.season,
    -- numerics
    batches.batches,
    batches.yeasts,
    batches.grain_kg,
    batches.sugar_kg,
    batches.potential_extract_kg,
    batches.wash_lpa,
    batches.wash_batches,
    batches.low_wines_lpa,
    batches.low_wines_batches,
    batches.hearts_lpa,
    batches.hearts_batches,
    batches.net_spirit_lpa,
    batches.net_of_yield_lpa / nullif(batches.fermentables_of_yield_kg, 0e0) as yield_lpa_per_kg,
    batches.yield_batches,
    batches.yield_mean_lpa_per_kg,
    batches.yield_sd_lpa_per_kg,
    lower_end(
        batches.yield_mean_lpa_per_kg,
        student_t.quantile * batches.yield_sd_lpa_per_kg / sqrt(batches.yield_batches)
    ) as yield_low_lpa_per_kg,
    batches.yield_mean_lpa_per_kg
        + student_t.quantile * batches.yield_sd_lpa_per_kg / sqrt(batches.yield_batches) as yield_high_lpa_per_kg,
    batches.hearts_of_yield_lpa / nullif(batches.fermentables_of_hearts_kg, 0e0) as hearts_lpa_per_kg,
    coalesce(casks.casks, 0) as casks,
    casks.cask_lpa_now,
    coalesce(tastings.samples, 0) as samples,
    coalesce(tastings.assessors, 0) as assessors,
    coalesce(scores.scores, 0) as scores,
    -- numerics: standard uncertainties
    season_u.* exclude (season),
    -- timestamps
    batches.first_on,
    batches.last_on,
from batches
left join account.season_u as season_u
    on season_u.season = batches.season
left join casks
    on casks.season = batches.season
left join tastings
    on tastings.season = batches.season
left join scores
    on scores.season = batches.season
left join raw.student_t as student_t
    on student_t.degrees_of_freedom = batches.yield_batches - 1
    and batches.yield_batches >= 3
order by batches.season

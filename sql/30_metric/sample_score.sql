-- What:  what the panel gave each sample, attribute by attribute, on the scale of 0 to 10.
-- Note:  an assessor who scored a sample twice counts once, with the mean; the interval is between assessors.
--        A jar tasted by itself is no batch's spirit: it has its jar's name for a lot, and no batch.
-- Grain: one row a session, sample and attribute.
-- From:  log.tasting_pour, log.score, raw.student_t, raw.setting, account.move, metric.tasted_jar
create or replace table metric.sample_score as
with season_start as (
    select text_value as starts
    from raw.setting
    where name = 'season_starts'
),

by_assessor as (
    select
        pour.session,
        pour.sample,
        score.attribute,
        pour.assessor,
        any_value(pour.batch order by pour.pour_id) as batch,
        any_value(pour.cask order by pour.pour_id) as cask,
        any_value(pour.lot order by pour.pour_id) as lot,
        min(pour.happened_at) as happened_at,
        count(*) as scores,
        favg(score.score) as score,
    from log.tasting_pour as pour
    inner join log.score as score
        on score.pour_id = pour.pour_id
    where score.score is not null
    group by pour.session, pour.sample, score.attribute, pour.assessor
),

by_sample as (
    select
        session,
        sample,
        attribute,
        any_value(batch order by assessor) as batch,
        any_value(cask order by assessor) as cask,
        any_value(lot order by assessor) as lot,
        min(happened_at) as happened_at,
        count(*) as assessors,
        cast(sum(scores) as bigint) as scores,
        favg(score) as score_mean,
        stddev_samp(score order by assessor) as score_sd,
    from by_assessor
    group by session, sample, attribute
),

-- A cut's lot is its batch's: "12 hearts".
own_lots as (
    select
        lower(to_lot) as lot_key,
        any_value(batch order by batch) as batch,
    from account.move
    where kind = 'collect'
    group by lower(to_lot)
    having count(distinct batch) = 1
)

select
    -- ids
    season_of(by_sample.happened_at, season_start.starts) as season,
    by_sample.session,
    by_sample.sample,
    if(tasted_jar.label is null, coalesce(by_sample.batch, own_lots.batch), null) as batch,
    by_sample.cask,
    coalesce(tasted_jar.label, by_sample.lot) as lot,
    -- text
    coalesce(
        'cask ' || by_sample.cask,
        tasted_jar.label,
        by_sample.lot,
        'batch ' || by_sample.batch,
        'sample ' || by_sample.sample
    ) as label,
    by_sample.attribute,
    -- numerics
    by_sample.assessors,
    by_sample.scores,
    by_sample.score_mean,
    by_sample.score_sd,
    by_sample.score_sd / sqrt(by_sample.assessors) as score_se,
    by_sample.score_mean
        - student_t.quantile * by_sample.score_sd / sqrt(by_sample.assessors) as score_low,
    by_sample.score_mean
        + student_t.quantile * by_sample.score_sd / sqrt(by_sample.assessors) as score_high,
    -- timestamps
    cast(by_sample.happened_at as date) as tasted_on,
from by_sample
cross join season_start
left join own_lots
    on own_lots.lot_key = lower(by_sample.lot)
left join metric.tasted_jar as tasted_jar
    on tasted_jar.session is not distinct from by_sample.session
    and tasted_jar.sample = by_sample.sample
left join raw.student_t as student_t
    on student_t.degrees_of_freedom = by_sample.assessors - 1
order by by_sample.happened_at, by_sample.session, by_sample.sample, by_sample.attribute

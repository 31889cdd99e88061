-- What:  what the panel gave each sample, attribute by attribute, on the scale of 0 to 10.
-- Note:  an assessor who scored a sample twice counts once, with the mean; the interval is between assessors.
-- Grain: one row a session, sample and attribute.
-- From:  log.tasting_pour, log.score, raw.student_t, metric.tasted_sample
create or replace table metric.sample_score as
with by_assessor as (
    select
        pour.session,
        pour.sample,
        score.attribute,
        pour.assessor,
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
        min(happened_at) as happened_at,
        count(*) as assessors,
        cast(sum(scores) as bigint) as scores,
        favg(score) as score_mean,
        stddev_samp(score order by assessor) as score_sd,
    from by_assessor
    group by session, sample, attribute
)

select
    -- ids
    tasted.season,
    by_sample.session,
    by_sample.sample,
    tasted.batch,
    tasted.cask,
    tasted.lot,
    -- text
    tasted.label,
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
    tasted.tasted_on,
from by_sample
inner join metric.tasted_sample as tasted
    on tasted.session is not distinct from by_sample.session
    and tasted.sample = by_sample.sample
left join raw.student_t as student_t
    on student_t.degrees_of_freedom = by_sample.assessors - 1
order by by_sample.happened_at, by_sample.session, by_sample.sample, by_sample.attribute

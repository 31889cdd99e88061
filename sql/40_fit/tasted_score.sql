-- What:  every score the fits use, on the scale of 0 to 10. A sheet pasted twice counts once.
-- Grain: one row a pour and attribute.
-- From:  log.tasting_pour, log.score, fit.tasted
create or replace table fit.tasted_score as
with named as (
    select
        pour.pour_id,
        pour.file_id,
        pour.line,
        tasted.season,
        pour.session,
        tasted.tasted,
        pour.assessor,
        pour.sample,
        pour.serving_order,
        lower(score.attribute) as attribute,
        score.score,
    from log.tasting_pour as pour
    inner join log.score as score
        on score.pour_id = pour.pour_id
    inner join fit.tasted as tasted
        on tasted.session is not distinct from pour.session
        and list_contains(tasted.codes, pour.sample)
    where score.score is not null
)

select
    -- ids
    season,
    session,
    tasted,
    assessor,
    pour_id,
    -- text
    attribute,
    -- numerics
    serving_order,
    score,
from named
-- The same person, glass, place and score once more is the same row again, not another tasting.
qualify row_number() over (
    partition by session, assessor, sample, serving_order, attribute, score
    order by file_id, line
) = 1
or serving_order is null
order by season, session, tasted, assessor, attribute, pour_id

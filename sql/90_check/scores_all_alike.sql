-- What:  an assessor who gave every glass of an evening the same scores.
-- Grain: one row a problem found.
-- From:  log.tasting_pour, log.score
create or replace table problem.scores_all_alike as
with by_attribute as (
    select
        pour.session,
        pour.assessor,
        score.attribute,
        min(pour.file_id) as file_id,
        min(pour.line) as line,
        count(*) as pours,
        max(score.score) - min(score.score) as reach,
        any_value(score.score_as_written order by pour.pour_id) as given,
    from log.tasting_pour as pour
    inner join log.score as score
        on score.pour_id = pour.pour_id
    where score.score is not null
    group by pour.session, pour.assessor, score.attribute
)

select
    file_id,
    min(line) as line,
    null as batch,
    -- An attribute of which there is none in any glass (wood in new spirit) may well be nought throughout.
    case
        when count(*) = 1 then any_value(attribute)
        else 'scores'
    end as column_name,
    max(pours) || ' glasses, every one with the same score'
        || case when count(*) > 1 then ' in all ' || count(*) || ' attributes' else '' end as found,
    'scores that differ between some of the glasses' as expected,
from by_attribute
group by session, assessor, file_id
having max(reach) = 0e0 and min(pours) >= 4 and (count(*) > 1 or min(pours) >= 6)
order by file_id, line, session, assessor

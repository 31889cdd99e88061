-- What:  every score the fits use, on the scale of 0 to 10. The copy of a sheet pasted twice is left out.
-- Grain: one row a pour and attribute.
-- From:  log.tasting_pour, log.score, fit.tasted, fit.sheet_copy
create or replace table fit.tasted_score as
with numbered as (
    select
        pour.*,
        score.attribute,
        score.score,
        row_number() over (
            partition by pour.session, pour.assessor, pour.sample, pour.serving_order, score.attribute
            order by pour.file_id, pour.line
        ) as copy,
    from log.tasting_pour as pour
    inner join log.score as score
        on score.pour_id = pour.pour_id
    where score.score_as_written is not null
)

select
    -- ids
    tasted.season,
    numbered.session,
    tasted.tasted,
    numbered.assessor,
    numbered.pour_id,
    -- text
    lower(numbered.attribute) as attribute,
    -- numerics
    numbered.serving_order,
    numbered.score,
    -- timestamps
    tasted.tasted_on,
from numbered
inner join fit.tasted as tasted
    on tasted.session is not distinct from numbered.session
    and list_contains(tasted.codes, numbered.sample)
left join fit.sheet_copy as sheet
    on sheet.session is not distinct from numbered.session
    and sheet.assessor = numbered.assessor
    and sheet.copy = numbered.copy
    and sheet.person = 'same'
where numbered.score is not null and sheet.copy is null
order by tasted.season, numbered.session, tasted.tasted, numbered.assessor, attribute, numbered.pour_id

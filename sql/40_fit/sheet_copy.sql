-- What:  whole tasting sheets that are there twice: of the same person once more, or under another name or evening.
-- Note:  a sheet of fewer than 12 scores may be alike by chance; a sheet's copies are numbered by their rows' order.
-- Grain: one row a copy, beside the sheet it repeats.
-- From:  log.tasting_pour, log.score
create or replace table fit.sheet_copy as
with written as (
    select
        pour.file_id,
        pour.session,
        pour.assessor,
        pour.line,
        pour.sample,
        pour.serving_order,
        score.attribute,
        score.score_as_written as given,
        row_number() over (
            partition by pour.session, pour.assessor, pour.sample, pour.serving_order, score.attribute
            order by pour.file_id, pour.line
        ) as copy,
    from log.tasting_pour as pour
    inner join log.score as score
        on score.pour_id = pour.pour_id
    where score.score_as_written is not null
),

sheets as (
    select
        session,
        assessor,
        copy,
        any_value(file_id order by file_id, line) as file_id,
        any_value(line order by file_id, line) as line,
        count(*) as scores,
        bool_and(serving_order is not null) as has_order,
        list_sort(list(attribute || ' ' || given || ' ' || coalesce(serving_order, 0))) as by_place,
        list_sort(list(attribute || ' ' || given || ' ' || sample)) as by_glass,
    from written
    group by session, assessor, copy
    having count(*) >= 12 and count(distinct given) > 2
),

numbered as (
    select
        *,
        row_number() over (order by file_id, line, copy) as sheet_no,
    from sheets
)

select
    -- ids
    later.session,
    later.assessor,
    later.copy,
    later.file_id,
    later.line,
    earlier.file_id as of_file_id,
    earlier.line as of_line,
    -- text
    if(later.session is not distinct from earlier.session and later.assessor = earlier.assessor, 'same', 'other')
        as person,
    -- numerics
    later.scores,
from numbered as later
inner join numbered as earlier
    on earlier.sheet_no < later.sheet_no
    and (
        earlier.by_glass = later.by_glass
        or (earlier.has_order and later.has_order and earlier.by_place = later.by_place)
    )
qualify row_number() over (partition by later.sheet_no order by earlier.sheet_no) = 1
order by later.file_id, later.line, later.copy

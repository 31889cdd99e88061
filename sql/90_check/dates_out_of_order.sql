-- What:  rows dated before the row above them of the same batch or cask.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  raw.batch_value, raw.cask_value
create or replace table problem.dates_out_of_order as
with dated as (
    select file_id, line, batch, 'batch ' || batch as subject, logged_at, has_time
    from raw.batch_value
    where logged_at is not null
    union all
    select file_id, line, null as batch, 'cask ' || cask as subject, logged_at, has_time
    from raw.cask_value
    where logged_at is not null
),

with_before as (
    select
        *,
        lag(logged_at) over rows_above as logged_before,
        lag(has_time) over rows_above as has_time_before,
        lag(line) over rows_above as line_before,
    from dated
    window rows_above as (partition by file_id, subject order by line)
)

select
    file_id,
    line,
    batch,
    'when' as column_name,
    if(has_time, strftime(logged_at, '%Y-%m-%d %H:%M'), strftime(logged_at, '%Y-%m-%d')) as found,
    printf(
        'a date not before %s, which line %d says of the same %s',
        if(has_time_before, strftime(logged_before, '%Y-%m-%d %H:%M'), strftime(logged_before, '%Y-%m-%d')),
        line_before,
        split_part(subject, ' ', 1)
    ) as expected,
from with_before
where
    case
        when has_time and has_time_before then logged_at < logged_before
        else cast(logged_at as date) < cast(logged_before as date)
    end
order by file_id, line

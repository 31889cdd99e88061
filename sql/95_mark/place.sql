-- What:  where each problem that names a line of a log stands, for the figures that its cell or row goes into.
-- Grain: one row a kind of problem, line of a file and column.
-- From:  problem.row
create or replace table problem.place as
select distinct
    kind,
    file,
    line,
    log_column,
    file_id,
from problem.row
where line is not null and file_id is not null
order by file_id, line, kind, log_column nulls first

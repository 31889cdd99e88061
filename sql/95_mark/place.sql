-- What:  where each problem that names a line stands: the file by its number, as the tables of the logs have it.
-- Grain: one row a kind of problem, line of a file and column.
-- From:  problem.row, raw.file
create or replace table problem.place as
select distinct
    row.kind,
    row.file,
    row.line,
    row.log_column,
    file.file_id,
from problem.row as row
inner join raw.file as file
    on file.path = row.file
where row.line is not null
order by file.file_id, row.line, row.kind, row.log_column nulls first

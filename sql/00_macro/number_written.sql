-- What:  the number that a cell of a log begins with, as it is written; null where its digits cannot be told at once.
-- From:  nothing
create or replace macro number_written(cell) as
    try_cast(
        replace(regexp_extract(trim(cell), '^(-?[0-9]+(?:[.,][0-9]+)?)(?:[^0-9.,].*)?$', 1), ',', '.') as double
    )

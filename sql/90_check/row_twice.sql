-- What:  rows that say word for word what an earlier row of the same file says.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  raw.batch_log, raw.cask_log
create or replace table problem.row_twice as
-- Hardly a row has its like: only such as may have are held against each other.
with batch_alike as (
    select hash(file_id, "when", step, item, mass, volume, strength, temperature) as fingerprint
    from raw.batch_log
    where "when" is not null and coalesce(mass, volume, gravity, strength, temperature) is not null
    group by 1
    having count(*) > 1
),

cask_alike as (
    select hash(file_id, cask, "when", step, item, mass, volume, strength) as fingerprint
    from raw.cask_log
    where "when" is not null and coalesce(volume, mass, strength) is not null
    group by 1
    having count(*) > 1
),

batch_rows as (
    select
        *,
        min(line) over (
            partition by
                file_id, batch, "when", step, run, item, cut, source, lot, vessel, mass, volume, gravity, strength,
                spout, temperature, minutes, ph
        ) as first_line,
    from raw.batch_log
    where
        "when" is not null
        and coalesce(mass, volume, gravity, strength, temperature) is not null
        and hash(file_id, "when", step, item, mass, volume, strength, temperature) in (from batch_alike)
),

cask_rows as (
    select
        *,
        min(line) over (
            partition by file_id, cask, "when", step, source, volume, mass, strength, temperature, item
        ) as first_line,
    from raw.cask_log
    where
        "when" is not null
        and coalesce(volume, mass, strength) is not null
        and hash(file_id, cask, "when", step, item, mass, volume, strength) in (from cask_alike)
)

select
    file_id,
    line,
    batch,
    'step' as column_name,
    step || ', as in line ' || first_line as found,
    'each thing once; two alike on purpose (two sacks, two jars) differ in time or item' as expected,
from batch_rows
where line > first_line
union all
select
    file_id,
    line,
    null as batch,
    'step' as column_name,
    step || ', as in line ' || first_line as found,
    'each thing once' as expected,
from cask_rows
where line > first_line
order by file_id, line

-- What:  batches whose rows stand in another file, or under another batch's name, as well.
-- Grain: one row a problem found.
-- From:  raw.batch_log, raw.file
create or replace table problem.batch_logged_twice as
with measured_rows as not materialized (
    select
        file_id,
        coalesce(batch, '') as batch,
        "when",
        step,
        run,
        item,
        cut,
        mass,
        volume,
        gravity,
        strength,
    from raw.batch_log
    -- Two batches may share a date and a grain, but hardly a reading to the minute.
    where "when" is not null and coalesce(mass, volume, gravity, strength) is not null
),

-- Hardly a row has its like: only such as may have are held against each other.
alike as (
    select hash("when", step, run, item, cut, mass, volume, gravity, strength) as fingerprint
    from measured_rows
    group by 1
    having count(*) > 1
),

rows_alike as (
    select distinct *
    from measured_rows
    where hash("when", step, run, item, cut, mass, volume, gravity, strength) in (from alike)
),

shared as (
    select
        later.file_id,
        later.batch,
        earlier.file_id as earlier_file_id,
        earlier.batch as earlier_batch,
        count(*) as rows,
    from rows_alike as later
    inner join rows_alike as earlier
        on earlier."when" = later."when"
        and earlier.step = later.step
        and earlier.run is not distinct from later.run
        and earlier.item is not distinct from later.item
        and earlier.cut is not distinct from later.cut
        and earlier.mass is not distinct from later.mass
        and earlier.volume is not distinct from later.volume
        and earlier.gravity is not distinct from later.gravity
        and earlier.strength is not distinct from later.strength
        and (earlier.file_id, earlier.batch) < (later.file_id, later.batch)
    group by later.file_id, later.batch, earlier.file_id, earlier.batch
    having count(*) >= 3
),

sizes as (
    select
        file_id,
        batch,
        count(*) as rows,
    from (
        select distinct *
        from measured_rows
        where file_id in (select shared.file_id from shared union all select shared.earlier_file_id from shared)
    ) as row
    group by file_id, batch
),

copies as (
    select
        shared.*,
        file.path,
        row_number() over (
            partition by shared.file_id, shared.batch
            order by shared.rows desc, shared.earlier_file_id, shared.earlier_batch
        ) as choice,
    from shared
    inner join sizes
        on sizes.file_id = shared.file_id
        and sizes.batch = shared.batch
    inner join sizes as earlier_sizes
        on earlier_sizes.file_id = shared.earlier_file_id
        and earlier_sizes.batch = shared.earlier_batch
    inner join raw.file as file
        on file.file_id = shared.earlier_file_id
    where 2 * shared.rows >= least(sizes.rows, earlier_sizes.rows)
),

first_lines as (
    select
        file_id,
        coalesce(batch, '') as batch,
        min(line) as line,
    from raw.batch_log
    where file_id in (select copies.file_id from copies)
    group by 1, 2
)

select
    copies.file_id,
    first_lines.line,
    nullif(copies.batch, '') as batch,
    'batch' as column_name,
    copies.rows || ' rows that also stand in ' || copies.path
        || if(copies.batch = copies.earlier_batch or copies.earlier_batch = '', '', ' as batch ' || copies.earlier_batch)
        as found,
    'every row of a batch in one place' as expected,
from copies
inner join first_lines
    on first_lines.file_id = copies.file_id
    and first_lines.batch = copies.batch
where copies.choice = 1
order by copies.file_id, first_lines.line, copies.batch

-- What:  stills charged, and fermenters filled, with far more than they ever held otherwise.
-- Note:  no log says what a still or a fermenter holds, so the largest of its other fillings stands for it.
-- Grain: one row a problem found.
-- From:  log.batch_step
create or replace table problem.volume_above_usual as
with fillings as (
    select
        lower(vessel) as vessel_key,
        if(step = 'charge', 'charged', 'read in it') as how,
        batch,
        run,
        any_value(file_id order by volume_l desc, step_no) as file_id,
        any_value(line order by volume_l desc, step_no) as line,
        any_value(vessel order by step_no) as vessel,
        if(step = 'charge', fsum(volume_l), max(volume_l)) as volume_l,
    from log.batch_step
    where
        vessel is not null
        and volume_l is not null
        and step in ('charge', 'wash')
    group by lower(vessel), step, batch, run
),

compared as (
    select
        *,
        count(*) over (partition by vessel_key, how) as fillings,
        row_number() over (partition by vessel_key, how order by volume_l desc, file_id, line) as size_rank,
    from fillings
),

next_largest as (
    select
        vessel_key,
        how,
        max(volume_l) as volume_l,
    from compared
    where size_rank > 1
    group by vessel_key, how
)

select
    compared.file_id,
    compared.line,
    compared.batch,
    'volume' as column_name,
    printf('%.1f L %s "%s"', compared.volume_l, compared.how, compared.vessel) as found,
    printf('about %.1f L at most, the largest of its %d other fillings', next_largest.volume_l, compared.fillings - 1)
        as expected,
from compared
inner join next_largest
    on next_largest.vessel_key = compared.vessel_key
    and next_largest.how = compared.how
-- Half as much again as ever before (common practice, no source), once four other fillings say what is usual.
where
    compared.size_rank = 1
    and compared.fillings > 4
    and compared.volume_l > 1.5e0 * next_largest.volume_l
order by compared.file_id, compared.line

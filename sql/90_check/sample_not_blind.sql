-- What:  samples whose code tells what they are: the name of their own batch, cask or lot.
-- Grain: one row a problem found.
-- From:  log.tasting_pour
create or replace table problem.sample_not_blind as
select
    any_value(file_id order by pour_id) as file_id,
    any_value(line order by pour_id) as line,
    any_value(batch order by pour_id) as batch,
    'sample' as column_name,
    sample as found,
    'a code that says nothing, such as three digits drawn at random' as expected,
from log.tasting_pour
where
    list_contains(
        [lower(batch), lower(cask), lower(lot), 'cask ' || lower(cask), 'batch ' || lower(batch)],
        lower(trim(sample))
    )
group by session, sample
order by file_id, line

-- What:  every difference trial, its two samples in a fixed order so that A/B and B/A count as one pair.
-- Grain: one row a trial (file_id, line).
-- From:  raw.difference_value
create or replace table log.difference_trial as
select
    -- ids
    file_id,
    line,
    -- text
    session,
    assessor,
    test,
    least(sample_a, sample_b) as sample_a,
    greatest(sample_a, sample_b) as sample_b,
    note,
    -- numerics
    is_correct,
    -- timestamps
    logged_at as happened_at,
from raw.difference_value
order by file_id, line

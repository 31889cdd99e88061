-- What:  every score given, brought to the scale of 0 to 10 whatever the sheet's own scale was.
-- Grain: one row a score: one pour, one attribute.
-- From:  raw.score_value
create or replace table log.score as
select
    -- ids
    pour_id,
    -- text
    attribute,
    -- numerics
    score as score_as_written,
    scale_low,
    scale_high,
    1e1 * (score - scale_low) / nullif(scale_high - scale_low, 0e0) as score,
from raw.score_value
order by pour_id, attribute

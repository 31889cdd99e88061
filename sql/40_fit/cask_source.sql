-- What:  whose spirit each tasted cask held, on its tastings' average, by pure alcohol of the batches that are known.
-- Note:  a cask of which less than half is known has no rows: what it was made of cannot be told.
-- Grain: one row a tasted cask and batch; the shares of a cask sum to one.
-- From:  metric.sample_score, fit.tasted_batch
create or replace table fit.cask_source as
with tastings as (
    select distinct
        cask,
        'cask ' || cask || ' ' || session as tasted,
    from metric.sample_score
    where cask is not null
),

counted as (
    select
        cask,
        tasted,
        count(*) over (partition by cask) as tastings,
    from tastings
),

held as (
    select
        counted.cask,
        tasted_batch.batch,
        fsum(tasted_batch.share_frac / nullif(counted.tastings, 0)) as share_frac,
    from counted
    inner join fit.tasted_batch as tasted_batch
        on tasted_batch.tasted = counted.tasted
    group by counted.cask, tasted_batch.batch
)

select
    -- ids
    cask,
    batch,
    -- numerics
    share_frac / nullif(fsum(share_frac) over (partition by cask), 0e0) as share_frac,
from held
qualify fsum(share_frac) over (partition by cask) >= 5e-1
order by cask, batch

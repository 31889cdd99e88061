-- What:  the casks that were tasted: their wood, how big, how old at their tastings on average.
-- Grain: one row a cask tasted.
-- From:  metric.cask, metric.sample_score
create or replace table fit.cask_design as
with tasted as (
    select
        cask,
        favg(epoch(cast(tasted_on as timestamp)) / 8.64e4) as tasted_day,
    from (select distinct cask, session, tasted_on from metric.sample_score where cask is not null)
    group by cask
)

select
    -- ids
    cask.cask,
    cask.season,
    row_number() over (order by cask.filled_on, cask.cask) as cask_no,
    -- text
    coalesce(cask.wood, 'wood not logged')
        || coalesce(', ' || cask.toast || ' toast', '')
        || coalesce(', ' || cask.char || ' char', '')
        || if(cask.previous is null or cask.previous = 'new', '', ', held ' || cask.previous) as wood,
    -- numerics
    cask.capacity_l,
    (tasted.tasted_day - epoch(cast(cask.filled_on as timestamp)) / 8.64e4) / 3.6525e2 as age_years,
    -- timestamps
    cask.filled_on,
from metric.cask as cask
inner join tasted
    on tasted.cask = cask.cask
order by cask_no

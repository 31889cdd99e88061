-- What:  the named choices of every unit (batch or tasted cask) with their shares: grains, yeast, wood, and where and when.
-- Note:  grain shares are of the mass of all fermentables, sugars too, and sum to one; extract_share_frac is of potential extract.
--        A cask has the grain and yeast of all batches whose spirit it held, by alcohol, through whatever blends it came.
-- Grain: one row a unit, family and level; the shares of a family sum to one.
-- From:  fit.design, fit.ingredient, fit.cask_design, fit.cask_source, metric.batch_ingredient, metric.sample_score
create or replace table fit.design_level as
with grains as (
    select
        batch_ingredient.batch,
        'grain' as family,
        ingredient.design_name as level,
        fsum(batch_ingredient.share_frac) as share_frac,
        fsum(batch_ingredient.potential_extract_kg) as potential_extract_kg,
    from metric.batch_ingredient as batch_ingredient
    inner join fit.ingredient as ingredient
        on ingredient.ingredient = batch_ingredient.ingredient
    where
        batch_ingredient.batch in (
            select batch
            from metric.batch_ingredient
            group by batch
            having count(*) = count(share_frac) and abs(fsum(share_frac) - 1e0) < 5e-3
        )
    group by batch_ingredient.batch, ingredient.design_name
),

of_batches as (
    select
        batch,
        family,
        level,
        share_frac,
        potential_extract_kg / nullif(
            fsum(potential_extract_kg) over (partition by batch), 0e0
        ) as extract_share_frac,
    from grains
    union all
    select batch, 'yeast', yeast, 1e0, null from fit.design
    union all
    select batch, 'still', still, 1e0, null from fit.design where still is not null
    union all
    select batch, 'season', season, 1e0, null from fit.design
),

sessions as (
    select distinct
        if(cask is null, 'batch', 'cask') as unit_kind,
        coalesce(cask, batch) as unit,
        session,
    from metric.sample_score
    where coalesce(cask, batch) is not null
),

-- A source whose grain was not all weighed, or whose yeast is not known, is not counted; the rest stand for the whole.
of_casks as (
    select
        cask_source.cask,
        of_batches.family,
        of_batches.level,
        fsum(cask_source.share_frac * of_batches.share_frac) as share_frac,
    from fit.cask_source as cask_source
    inner join of_batches
        on of_batches.batch = cask_source.batch
    where
        of_batches.family in ('grain', 'yeast')
        and cask_source.cask in (select cask from fit.cask_design)
    group by cask_source.cask, of_batches.family, of_batches.level
    qualify fsum(fsum(cask_source.share_frac * of_batches.share_frac)) over (
        partition by cask_source.cask, of_batches.family
    ) >= 5e-1
)

select
    -- ids
    'batch' as unit_kind,
    batch as unit,
    -- text
    family,
    level,
    -- numerics
    share_frac,
    extract_share_frac,
from of_batches
union all
select
    'cask',
    cask,
    family,
    level,
    share_frac / nullif(fsum(share_frac) over (partition by cask, family), 0e0) as share_frac,
    null,
from of_casks
union all
select 'cask', cask, 'season', season, 1e0, null from fit.cask_design where season is not null
union all
select 'cask', cask, 'wood', wood, 1e0, null from fit.cask_design
union all
select
    unit_kind,
    unit,
    'session',
    session,
    1e0 / nullif(count(*) over (partition by unit_kind, unit), 0),
    null,
from sessions
order by unit_kind, unit, family, level

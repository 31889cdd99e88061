-- What:  every spirit the panel tasted, with what it was: batch, yeast, grain, cask and age.
-- Note:  a cask changes, so the same cask on another evening is another spirit; a batch's own spirit does not.
-- Grain: one row a session and tasted spirit.
-- From:  metric.tasted_sample, metric.batch, metric.cask, fit.tasted_batch
create or replace table fit.tasted as
with poured as (
    select
        any_value(season order by sample) as season,
        session,
        if(
            cask is not null,
            'cask ' || cask || ' ' || session,
            coalesce('batch ' || batch, 'lot ' || lower(lot), 'sample ' || sample || ' ' || session)
        ) as tasted,
        any_value(label order by sample) as label,
        any_value(batch order by sample) as batch,
        any_value(cask order by sample) as cask,
        any_value(lot order by sample) as lot,
        list_sort(list(distinct sample)) as samples,
        min(tasted_on) as tasted_on,
    from metric.tasted_sample
    group by all
),

main_batch as (
    select
        tasted,
        any_value(batch order by share_frac desc, batch) as batch,
        any_value(share_frac order by share_frac desc, batch) as share_frac,
        origin_words(batch, false, false, share_frac) as spirit_of,
    from fit.tasted_batch
    group by tasted
)

select
    -- ids
    poured.season,
    poured.session,
    poured.tasted,
    poured.batch,
    poured.cask,
    poured.lot,
    main_batch.batch as main_batch,
    -- text
    poured.label,
    poured.samples as codes,
    main_batch.spirit_of,
    batch.yeast,
    batch.main_grain,
    cask.wood,
    -- numerics
    main_batch.share_frac as main_batch_frac,
    cask.capacity_l,
    if(
        cask.filled_on is null,
        null,
        (epoch(cast(poured.tasted_on as timestamp)) - epoch(cast(cask.filled_on as timestamp))) / 3.15576e7
    ) as cask_years,
    -- timestamps
    poured.tasted_on,
from poured
left join main_batch
    on main_batch.tasted = poured.tasted
left join metric.batch as batch
    on batch.batch = main_batch.batch
left join metric.cask as cask
    on cask.cask = poured.cask
order by poured.season, poured.tasted_on, poured.session, poured.tasted

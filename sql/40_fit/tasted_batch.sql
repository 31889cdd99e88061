-- What:  the batches whose spirit is in every tasted spirit, by pure alcohol: one for a batch's own, several for a cask
--        or a vat filled from them, as it stood that evening.
-- Note:  a batch's spirit is what its runs made, feints charged and all, as it is when it is tasted by itself. Where one
--        batch has 95 % of the alcohol the spirit counts as that batch's (own choice). Alcohol whose batch is not
--        known has no row, so shares can sum to less than one.
-- Grain: one row a tasted spirit and batch.
-- From:  metric.tasted_sample, account.spirit_share, account.move
create or replace table fit.tasted_batch as
with poured as (
    select distinct
        if(
            cask is not null,
            'cask ' || cask || ' ' || session,
            coalesce('batch ' || batch, 'lot ' || lower(lot), 'sample ' || sample || ' ' || session)
        ) as tasted,
        if(cask is null, batch, null) as own_batch,
        coalesce('cask ' || lower(cask), lower(lot)) as lot_key,
        tasted_on,
    from metric.tasted_sample
),

-- A lot that is nobody's own is tasted under one name on every evening: its last one counts.
mixed as (
    select
        tasted,
        lot_key,
        max(tasted_on) as tasted_on,
    from poured
    where own_batch is null
    group by tasted, lot_key
),

-- The last change of the lot before the end of that day.
stood as (
    select
        mixed.tasted,
        share.batch,
        share.share_frac,
    from mixed
    inner join account.spirit_share as share
        on lower(share.lot) = mixed.lot_key
    inner join account.move as move
        on move.move_id = share.move_id
    where mixed.tasted_on is null or move.happened_at is null or move.happened_at < mixed.tasted_on + interval 1 day
    qualify rank() over (partition by mixed.tasted order by share.move_id desc) = 1
),

shares as (
    select
        tasted,
        batch,
        share_frac,
        max(share_frac) over (partition by tasted) as largest_frac,
    from stood
    where batch is not null
)

select
    -- ids
    tasted,
    batch,
    -- numerics
    if(largest_frac >= 9.5e-1, 1e0, share_frac) as share_frac,
from shares
where largest_frac < 9.5e-1 or share_frac = largest_frac
union all
select distinct
    tasted,
    own_batch,
    1e0,
from poured
where own_batch is not null
order by tasted, batch

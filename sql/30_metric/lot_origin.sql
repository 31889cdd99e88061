-- What:  where the alcohol that each lot holds at the end of the logs came from: by batch, and from there by yeast and by
--        ingredient, by perfect mixing.
-- Note:  an ingredient's share of a batch is its share of the extract that the batch's ingredients can give. The shares of
--        one lot sum to one within each kind.
-- Grain: one row a lot, kind of origin (batch, yeast, ingredient) and origin.
-- Part:  lot
-- From:  account.ancestry, account.lot, account.batch, metric.batch_ingredient
create or replace table metric.lot_origin as
with now as (
    select
        ancestry.lot,
        ancestry.batch as origin_batch,
        if(ancestry.is_pooled, 'many other batches', 'not known') as unnamed,
        ancestry.share_frac,
        lot.lpa as lot_lpa,
    from account.ancestry as ancestry
    inner join account.lot as lot
        on lower(lot.lot) = lower(ancestry.lot)
    where ancestry.until_move_id is null
),

extracts as (
    select
        batch,
        ingredient,
        fsum(potential_extract_kg) / nullif(fsum(fsum(potential_extract_kg)) over (partition by batch), 0e0)
            as extract_frac,
    from metric.batch_ingredient
    group by batch, ingredient
),

origins as (
    select
        lot,
        'batch' as origin_kind,
        coalesce(origin_batch, unnamed) as origin,
        share_frac,
        lot_lpa,
    from now
    union all
    select
        now.lot,
        'yeast' as origin_kind,
        coalesce(batch.yeast, if(now.origin_batch is null, now.unnamed, 'not logged')) as origin,
        now.share_frac,
        now.lot_lpa,
    from now
    left join account.batch as batch
        on batch.batch = now.origin_batch
    union all
    select
        now.lot,
        'ingredient' as origin_kind,
        coalesce(extracts.ingredient, if(now.origin_batch is null, now.unnamed, 'not logged')) as origin,
        now.share_frac * coalesce(extracts.extract_frac, 1e0) as share_frac,
        now.lot_lpa,
    from now
    left join extracts
        on extracts.batch = now.origin_batch
)

select
    -- text
    lot,
    origin_kind,
    origin,
    -- numerics
    fsum(share_frac) as share_frac,
    fsum(share_frac) * any_value(lot_lpa) as lpa,
from origins
group by lot, origin_kind, origin
order by lot, origin_kind, share_frac desc, origin

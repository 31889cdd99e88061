-- What:  the batches in every tasted spirit, by pure alcohol: one for a batch's own, several for a cask filled from them.
-- Grain: one row a tasted spirit and batch.
-- From:  metric.sample_score, account.move
create or replace table fit.tasted_batch as
with own_lots as (
    select
        to_lot as lot,
        any_value(batch order by batch) as batch,
    from account.move
    where kind = 'collect'
    group by to_lot
    having count(distinct batch) = 1
),

poured as (
    select distinct
        session,
        tasted_on,
        if(
            cask is not null,
            'cask ' || cask || ' ' || session,
            coalesce('batch ' || batch, 'lot ' || lower(lot), 'sample ' || sample || ' ' || session)
        ) as tasted,
        batch,
        cask,
    from metric.sample_score
),

-- What went into the cask before the evening.
filled as (
    select
        poured.tasted,
        own_lots.batch,
        sum_all(move.lpa) as lpa,
    from poured
    inner join account.move as move
        on lower(move.to_lot) = 'cask ' || lower(poured.cask)
        and (poured.tasted_on is null or move.happened_at < cast(poured.tasted_on + 1 as timestamp))
    left join own_lots
        on own_lots.lot = move.from_lot
    where move.kind in ('cask fill', 'cask top up')
    group by poured.tasted, own_lots.batch
)

select
    -- ids
    tasted,
    batch,
    -- numerics
    lpa / nullif(sum(lpa) over (partition by tasted), 0e0) as share_frac,
from filled
qualify batch is not null
union all
select distinct
    tasted,
    batch,
    1e0 as share_frac,
from poured
where cask is null and batch is not null
order by tasted, batch

-- What:  which batches' spirit went into each cask, by the alcohol poured from lots that are one batch's own.
-- Grain: one row a cask and batch.
-- From:  account.move
create or replace table fit.cask_source as
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
    select
        substr(move.to_lot, 6) as cask,
        own_lots.batch,
        sum_all(move.lpa) as lpa,
    from account.move as move
    inner join own_lots
        on own_lots.lot = move.from_lot
    where move.kind = 'cask fill' and move.to_lot like 'cask %'
    group by move.to_lot, own_lots.batch
)

select
    -- ids
    cask,
    batch,
    -- numerics
    lpa / nullif(fsum(lpa) over (partition by cask), 0e0) as share_frac,
from poured
where lpa > 0
order by cask, batch

-- What:  tasted samples whose cask or lot is in no log.
-- Grain: one row a problem found.
-- From:  log.tasting_pour, account.lot, account.batch, metric.tasted_jar
create or replace table problem.sample_unknown as
with named as (
    select
        session,
        sample,
        any_value(file_id order by pour_id) as file_id,
        any_value(line order by pour_id) as line,
        any_value(cask order by pour_id) as cask,
        any_value(lot order by pour_id) as lot,
        any_value(batch order by pour_id) as batch,
    from log.tasting_pour
    group by session, sample
),

lots as (
    select distinct lower(lot) as lot_key
    from account.lot
)

select
    named.file_id,
    named.line,
    named.batch,
    case
        when named.cask is not null then 'cask'
        when named.lot is not null then 'lot'
        else 'batch'
    end as column_name,
    coalesce(named.cask, named.lot, named.batch) as found,
    'a cask, lot or batch that the logs know' as expected,
from named
where
    case
        when named.cask is not null
            then 'cask ' || lower(named.cask) not in (select lot_key from lots)
        when named.lot is not null
            then lower(named.lot) not in (select lot_key from lots)
            and (named.session, named.sample) not in (select (session, sample) from metric.tasted_jar)
        when named.batch is not null
            then named.batch not in (select batch from account.batch)
        else false
    end
order by named.file_id, named.line

-- What:  tasted samples whose cask or lot is in no log.
-- Note:  said once for each name and session, in the key where the name stands there.
-- Grain: one row a problem found.
-- From:  log.tasting_pour, raw.tasting_value, raw.tasting_key_value, account.lot, account.batch, metric.tasted_jar
create or replace table problem.sample_unknown as
with named as (
    select
        pour.session,
        pour.sample,
        any_value(coalesce(keys.file_id, pour.file_id) order by pour.pour_id, keys.file_id, keys.line) as file_id,
        any_value(coalesce(keys.line, pour.line) order by pour.pour_id, keys.file_id, keys.line) as line,
        any_value(pour.cask order by pour.pour_id) as cask,
        any_value(pour.lot order by pour.pour_id) as lot,
        any_value(pour.batch order by pour.pour_id) as batch,
    from log.tasting_pour as pour
    inner join raw.tasting_value as written
        on written.pour_id = pour.pour_id
    left join raw.tasting_key_value as keys
        on keys.session = pour.session
        and keys.sample = pour.sample
        and coalesce(written.cask, written.lot, written.batch) is null
    group by pour.session, pour.sample
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
qualify row_number() over (
    partition by named.session, column_name, found
    order by named.file_id, named.line, named.sample
) = 1
order by named.file_id, named.line

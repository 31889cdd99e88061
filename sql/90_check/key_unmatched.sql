-- What:  a key and a sheet that do not match: a code in the key that nobody was poured, or a poured code the key lacks.
-- Note:  a key of a session that no sheet has is one problem, not one for each of its codes.
-- Grain: one row a problem found.
-- From:  raw.tasting_key_value, log.tasting_pour
create or replace table problem.key_unmatched as
with keys as (
    select
        session,
        sample,
        any_value(file_id order by file_id, line) as file_id,
        any_value(line order by file_id, line) as line,
        count(distinct coalesce(cask, '') || '|' || coalesce(batch, '') || '|' || coalesce(lot, '')) as meanings,
    from raw.tasting_key_value
    group by session, sample
),

poured as (
    select
        session,
        sample,
        any_value(file_id order by pour_id) as file_id,
        any_value(line order by pour_id) as line,
        bool_or(batch is not null or cask is not null or lot is not null) as is_known,
    from log.tasting_pour
    group by session, sample
),

sessions as (
    select string_agg('"' || session || '"', ', ' order by session) as names
    from (select distinct session from poured where session is not null)
),

found as (
    select
        min(keys.file_id) as file_id,
        min(keys.line) as line,
        'session' as column_name,
        coalesce(keys.session, 'no name') as found,
        case
            when any_value(sessions.names) is null then 'the session of a tasting sheet; there is none'
            else 'the session of a tasting sheet: ' || any_value(sessions.names)
        end as expected,
    from keys
    cross join sessions
    where keys.session not in (select session from poured where session is not null) or keys.session is null
    group by keys.session
    union all
    select
        keys.file_id,
        keys.line,
        'sample' as column_name,
        keys.sample as found,
        'a code that was poured in the session "' || coalesce(keys.session, '') || '"' as expected,
    from keys
    left join poured
        on poured.session is not distinct from keys.session
        and poured.sample = keys.sample
    where poured.sample is null and keys.session in (select session from poured)
    union all
    select
        keys.file_id,
        keys.line,
        'sample' as column_name,
        keys.sample as found,
        'one meaning of the code, not ' || keys.meanings as expected,
    from keys
    where keys.meanings > 1
    union all
    select
        poured.file_id,
        poured.line,
        'sample' as column_name,
        poured.sample as found,
        'a code that the session''s key has' as expected,
    from poured
    where not poured.is_known
        and poured.session in (select session from keys)
)

select
    file_id,
    line,
    null as batch,
    column_name,
    found,
    expected,
from found
order by file_id, line, column_name, expected

-- What:  draws from a lot that no row fills.
-- Grain: one row a problem found.
-- From:  account.move, account.lot
create or replace table problem.source_unknown as
with unknown_sources as (
    select
        move.move_id,
        move.file_id,
        move.line,
        move.batch,
        move.from_lot,
    from account.move as move
    where
        move.from_lot is not null
        and move.kind not in ('collect', 'ferment')
        and lower(move.from_lot) not in (select lower(lot) from account.lot)
        and 'cask ' || lower(move.from_lot) not in (select lower(lot) from account.lot)
),

nearest as (
    select
        unknown_sources.move_id,
        any_value(
            lot.lot
            order by jaro_winkler_similarity(lower(lot.lot), lower(unknown_sources.from_lot)) desc, lot.lot
        ) as lot,
    from unknown_sources
    cross join account.lot as lot
    group by unknown_sources.move_id
)

select
    unknown_sources.file_id,
    unknown_sources.line,
    unknown_sources.batch,
    'source' as column_name,
    unknown_sources.from_lot as found,
    coalesce('a lot filled earlier; the nearest name is "' || nearest.lot || '"', 'a lot filled earlier') as expected,
from unknown_sources
left join nearest
    on nearest.move_id = unknown_sources.move_id
order by unknown_sources.file_id, unknown_sources.line

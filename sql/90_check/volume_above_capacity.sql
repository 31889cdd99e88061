-- What:  casks that hold more than they can, beyond what the instruments allow.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.move, log.cask_step, raw.setting
create or replace table problem.volume_above_capacity as
with vessel as (
    select number_value as volume_u_frac
    from raw.setting
    where name = 'uncertainty.volume_frac'
),

capacities as (
    select
        'cask ' || lower(cask) as lot_key,
        max(capacity_l) as capacity_l,
    from log.cask_step
    where capacity_l > 0e0
    group by 1
),

contents as (
    select
        file_id,
        line,
        if(kind = 'cask gauge', from_lot, to_lot) as lot,
        if(kind = 'cask gauge', volume_l, to_volume_after_l) as content_l,
    from account.move
    where kind in ('cask fill', 'cask top up', 'cask gauge')
)

select
    contents.file_id,
    contents.line,
    null as batch,
    'volume' as column_name,
    printf('%.2f L at 20 °C in a cask of %.2f L', contents.content_l, capacities.capacity_l) as found,
    'at most what the cask holds' as expected,
from contents
inner join capacities
    on capacities.lot_key = lower(contents.lot)
cross join vessel
-- Four standard uncertainties of the two volumes.
where contents.content_l > capacities.capacity_l * (1e0 + 4e0 * sqrt(2e0) * vessel.volume_u_frac)
order by file_id, line

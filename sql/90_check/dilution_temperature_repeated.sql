-- What:  dilutions after which the very temperature of before was read: water and spirit warm when they meet.
-- Note:  mixing 20 L at 70 %vol with water to 45 %vol warms it by some 5 °C (common practice, no source); a reading
--        that did not move was likely copied.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.entry, log.batch_step
create or replace table problem.dilution_temperature_repeated as
with lot_rows as (
    select
        entry.file_id,
        entry.line,
        entry.batch,
        entry.happened_at,
        batch_step.temperature_c,
        lag(entry.kind) over lot_order as step_before,
        lag(batch_step.temperature_c ignore nulls) over lot_order as temperature_before_c,
        lag(entry.happened_at) over lot_order as happened_before,
    from account.entry as entry
    inner join log.batch_step as batch_step
        on batch_step.file_id = entry.file_id
        and batch_step.line = entry.line
    where entry.kind in ('dilute', 'gauge') and entry.from_lot is not null
    window lot_order as (partition by lower(entry.from_lot)
        order by entry.happened_at nulls first, entry.file_id, entry.line
    )
)

select
    file_id,
    line,
    batch,
    'temperature' as column_name,
    printf('%.1f °C, as before the water', temperature_c) as found,
    'a temperature read anew: water and spirit warm when they meet' as expected,
from lot_rows
where
    step_before = 'dilute'
    and temperature_c = temperature_before_c
    -- Overnight both come to the temperature of the room.
    and happened_at - happened_before < interval '6 hours'
order by file_id, line

-- What:  every row of the batch logs, readings corrected to 20 °C, in the order things happened.
-- Note:  a row that was set aside, but whose batch and step can be told, is here with nothing measured, so that the sums
--        it belongs to are not measured rather than short. A reading whose temperature was set aside is not measured.
-- Grain: one row a row of a batch log (file_id, line).
-- Part:  batch
-- From:  raw.batch_value, raw.batch_log, raw.batch_text, raw.file, raw.setting
create or replace table log.batch_step as
with hydrometer as (
    select number_value as reference_c
    from raw.setting
    where name = 'hydrometer_reference_c'
),

batches_used as (
    select distinct batch
    from raw.batch_value
    where not is_set_aside
),

-- A row without a date happened when the row above it did.
dated as (
    select
        file_id,
        line,
        batch,
        coalesce(
            logged_at,
            last_value(logged_at ignore nulls) over rows_above,
            first_value(logged_at ignore nulls) over rows_below
        ) as written_at,
    from raw.batch_value
    -- A batch of which no row at all can be used is no batch of the season.
    where batch in (select batch from batches_used)
    window
        rows_above as (
            partition by file_id, batch
            order by line
            rows between unbounded preceding and current row
        ),
        rows_below as (
            partition by file_id, batch
            order by line
            rows between current row and unbounded following
        )
),

-- A row with a date but no time happened after the timed rows above it on that day.
timed as (
    select
        file_id,
        line,
        batch,
        max(written_at) over (
            partition by file_id, batch, cast(written_at as date)
            order by line
            rows between unbounded preceding and current row
        ) as happened_at,
    from dated
),

-- In order before anything is carried along: these rows are narrow.
placed as (
    select
        row_number() over (partition by batch order by happened_at nulls first, path, line) as step_no,
        timed.file_id,
        line,
        happened_at,
        path,
    from timed
    inner join raw.file as file
        on file.file_id = timed.file_id
),

-- What was read at a temperature that cannot be read cannot be brought to 20 degC.
readings as (
    select
        batch_value.*,
        step_no,
        happened_at,
        path,
        coalesce(contains(cells_set_aside, 'temperature'), false)
        and step in ('sugar', 'runnings', 'wort', 'wash', 'charge', 'collect', 'residue', 'dilute', 'gauge')
            as is_warmth_unread,
    from raw.batch_value as batch_value
    inner join placed
        on placed.file_id = batch_value.file_id
        and placed.line = batch_value.line
),

measured as (
    select
        * replace (
            if(is_warmth_unread, null, volume_l) as volume_l,
            if(is_warmth_unread, null, strength_reading) as strength_reading,
            if(is_warmth_unread, null, spout_reading) as spout_reading
        ),
        case
            when is_warmth_unread then null
            when gravity_unit = 'sg' then gravity_reading
            else sg_from_plato(gravity_reading)
        end as gravity_as_sg,
    from readings
),

-- Jars show the same few readings over and over: each is corrected once.
strengths as (
    select
        reading,
        unit,
        temperature_c,
        abv_from_logged(reading, unit, temperature_c) as abv_20c_pct_vol,
    from (
        select
            strength_reading as reading,
            strength_unit as unit,
            temperature_c,
        from measured
        where strength_reading is not null
        union
        -- The spout runs into the jar: the row's temperature is that of both readings.
        select
            spout_reading as reading,
            spout_unit as unit,
            temperature_c,
        from measured
        where spout_reading is not null
    ) as reading
),

-- A text stands among the cells as written, but for the rows in which one of them is not used so.
texts as (
    select file_id, line, run, item, cut, source, lot, vessel, "by" as operator, note
    from raw.batch_log as batch_log
    where
        not exists (
            select 1 from raw.batch_text as batch_text
            where batch_text.file_id = batch_log.file_id and batch_text.line = batch_log.line
        )
    union all
    select file_id, line, run, item, cut, source, lot, vessel, operator, note
    from raw.batch_text
),

corrected as (
    select
        measured.*,
        texts.* exclude (file_id, line),
        -- A Plato or Brix spindle is a gravity spindle with another scale: same correction.
        case
            when measured.temperature_c is null or step not in ('runnings', 'wort', 'wash') then gravity_as_sg
            else sg_from_reading(gravity_as_sg, measured.temperature_c, hydrometer.reference_c)
        end as gravity_sg,
        strength.abv_20c_pct_vol,
        spout.abv_20c_pct_vol as spout_abv_20c_pct_vol,
    from measured
    cross join hydrometer
    left join strengths as strength
        on strength.reading = strength_reading
        and strength.unit = strength_unit
        and strength.temperature_c is not distinct from measured.temperature_c
    left join strengths as spout
        on spout.reading = spout_reading
        and spout.unit = spout_unit
        and spout.temperature_c is not distinct from measured.temperature_c
    inner join texts
        on texts.file_id = measured.file_id
        and texts.line = measured.line
)

select
    -- ids
    file_id,
    line,
    batch,
    step_no,
    -- text
    step,
    run,
    item,
    item_key,
    cut,
    source,
    lot,
    vessel,
    operator,
    note,
    cells_set_aside,
    -- numerics
    mass_kg,
    volume_l,
    gravity_sg,
    plato_from_sg(gravity_sg) as gravity_plato,
    abv_20c_pct_vol,
    spout_abv_20c_pct_vol,
    temperature_c,
    kettle_c,
    vapour_c,
    barometer_hpa,
    minutes_min,
    ph,
    price,
    is_set_aside,
    -- timestamps
    has_time,
    happened_at,
    path,
from corrected
order by happened_at nulls first, path, line

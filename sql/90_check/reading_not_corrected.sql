-- What:  readings that cannot be brought to 20 °C, so that they count as not measured: the temperature beside them is
--        none that such a liquid is read at, or the reading none that it can give there.
-- Note:  degrees Fahrenheit without their unit are the usual reason; what a number means is never changed.
-- Grain: one row a row of a log whose reading cannot be corrected; of several readings the first of these.
-- Part:  file_id
-- From:  log.batch_step, log.cask_step, raw.batch_value, raw.cask_value, account.logged_row
create or replace table problem.reading_not_corrected as
with of_batches as (
    select
        step.file_id,
        step.line,
        step.batch,
        step.temperature_c,
        unnest([
            if(value.strength_reading is not null and step.abv_20c_pct_vol is null, 'strength', null),
            if(value.gravity_reading is not null and step.gravity_sg is null, 'gravity', null),
            if(value.spout_reading is not null and step.spout_abv_20c_pct_vol is null, 'spout', null)
        ]) as column_name,
    from log.batch_step as step
    inner join raw.batch_value as value
        on value.file_id = step.file_id
        and value.line = step.line
),

of_casks as (
    select
        step.file_id,
        step.line,
        null as batch,
        step.temperature_c,
        'strength' as column_name,
    from log.cask_step as step
    inner join raw.cask_value as value
        on value.file_id = step.file_id
        and value.line = step.line
    where value.strength_reading is not null and step.abv_20c_pct_vol is null
),

of_volumes as (
    select
        file_id,
        line,
        batch,
        temperature_c,
        'volume' as column_name,
    from account.logged_row
    where volume_l is not null and volume_20c_l is null
),

uncorrected as (
    select * from of_batches
    union all
    select * from of_casks
    union all
    select * from of_volumes
)

select
    file_id,
    line,
    batch,
    column_name,
    printf('read at %.1f °C', temperature_c) as found,
    case column_name
        when 'gravity' then 'a temperature from 0 to 60 °C, and a gravity from 0.980 to 1.150 where there is one'
        when 'volume' then 'a temperature from -20 to 40 °C, of wort from 0 to 100 °C'
        else 'a temperature from -20 to 40 °C, and a reading that spirit can give at it'
    end
    || if(
        temperature_c > 4e1 and temperature_c <= 1.04e2,
        printf(' (%.0f °F would be %.1f °C)', temperature_c, (temperature_c - 3.2e1) / 1.8e0),
        ''
    ) as expected,
from uncorrected
where temperature_c is not null and column_name is not null
qualify row_number() over (
    partition by file_id, line
    order by list_position(['strength', 'gravity', 'spout', 'volume'], column_name)
) = 1
order by file_id, line

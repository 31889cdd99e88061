-- What:  readings of a jar that the curve of its own run, drawn through all its other jars, does not allow.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  fit.jar_expected
create or replace table problem.jar_off_curve as
select
    file_id,
    line,
    batch,
    suspect_column as column_name,
    printf(if(suspect_column = 'volume', '%.2f L', '%.1f %%vol at 20 °C'), logged_value) as found,
    case
        when suspect_column = 'volume' and expected_value <= 0e0 then 'less than nothing'
        else printf(
            if(suspect_column = 'volume', '%.2f to %.2f L', '%.1f to %.1f %%vol'),
            greatest(expected_value - 2e0 * expected_value_u, 0e0),
            expected_value + 2e0 * expected_value_u
        )
    end
    || ' by the other jars of ' || run
    || coalesce('; ' || suspect_also || ' could be the wrong one instead', '') as expected,
from fit.jar_expected
where suspect_column is not null
order by file_id, line

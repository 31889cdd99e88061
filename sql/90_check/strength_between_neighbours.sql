-- What:  jars whose strength was not read and was taken between their neighbours.
-- Grain: one row a problem found.
-- Part:  file_id
-- From:  account.jar
create or replace table problem.strength_between_neighbours as
select
    file_id,
    line,
    batch,
    'strength' as column_name,
    '(empty)' as found,
    printf('a reading; %.1f %%vol was taken between the jars before and after it', abv_20c_pct_vol) as expected,
from account.jar
where strength_basis = 'between neighbours'
order by file_id, line

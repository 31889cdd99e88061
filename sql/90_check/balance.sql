-- What:  measurements that keep the alcohol account from closing within the instruments' errors.
-- Grain: one row a problem found.
-- From:  account.suspect
create or replace table problem.balance as
select
    file_id,
    line,
    batch,
    column_name,
    coalesce(logged_text || ' ' || unit, 'what was not read') as found,
    'the balance to close, but: ' || rtrim(sentence, '.') as expected,
from account.suspect
-- What the curve alone tells stands in jar_off_curve, what is word for word the same in row_twice.
where sentence is not null and found_by not in ('run curve', 'row repeated')
order by file_id, line, column_name, found, expected

-- What:  like sum_all, over the rows that a condition picks; null when it picks none.
-- From:  nothing
create or replace macro sum_where(measured, condition) as
    case
        when
            count(*) filter (where condition) > 0
            and count(*) filter (where condition) = count(measured) filter (where condition)
            then fsum(measured) filter (where condition)
    end

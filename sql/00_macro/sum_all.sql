-- What:  the sum of a measured column, null as soon as one value was not measured: a missing jar is not an empty one.
-- Note:  fsum compensates rounding, so that the same rows give the same digits in any order, on any number of threads.
-- From:  nothing
create or replace macro sum_all(measured) as
    case when count(*) = count(measured) then fsum(measured) end

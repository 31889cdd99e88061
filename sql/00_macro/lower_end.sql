-- What:  the lower end of an interval of what cannot be less than nothing: cut off at zero, where the mean is above it.
create or replace macro lower_end(mean_value, reach) as
    case when mean_value > 0e0 and reach > mean_value then 0e0 else mean_value - reach end

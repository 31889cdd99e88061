-- What:  every run's own curve: effective stages, what its charge must have been, where hearts began and ended; and
--        whether it is off its still's: null where nothing can be said.
-- Grain: one row a run that filled a jar.
-- From:  fit.own_curve, fit.still
create or replace table fit.run_curve as
select
    own_curve.* exclude (reason),
    abs(own_curve.stages - still.stages_mean) > 3e0 * sqrt(
        still.stages_between_sd * still.stages_between_sd + own_curve.stages_u * own_curve.stages_u
    ) as is_off_still,
    own_curve.reason,
from fit.own_curve as own_curve
left join fit.still as still
    on still.still is not distinct from own_curve.still
    and still.run_kind is not distinct from own_curve.run_kind
order by own_curve.started_at nulls last, own_curve.batch, own_curve.run

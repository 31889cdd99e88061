-- What:  the chance of at least `successes` in `trials` when each succeeds with `chance` (exact binomial tail).
-- From:  nothing
create or replace macro binomial_tail(successes, trials, chance) as
    least(
        1e0,
        list_sum(
            list_transform(
                range(successes, trials + 1),
                lambda k: exp(
                    lgamma(trials + 1) - lgamma(k + 1) - lgamma(trials - k + 1)
                    + k * ln(chance) + (trials - k) * ln(1e0 - chance)
                )
            )
        )
    )

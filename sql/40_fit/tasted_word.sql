-- What:  every word said of a tasted spirit, as written: small letters, blanks taken off.
-- Grain: one row a pour and word.
-- From:  log.tasting_pour, fit.tasted
create or replace table fit.tasted_word as
with split as (
    select
        pour.pour_id,
        tasted.season,
        pour.session,
        tasted.tasted,
        pour.assessor,
        lower(trim(unnest(string_split(coalesce(pour.descriptors, ''), ';')))) as word,
    from log.tasting_pour as pour
    inner join fit.tasted as tasted
        on tasted.session is not distinct from pour.session
        and list_contains(tasted.codes, pour.sample)
)

select distinct
    -- ids
    season,
    session,
    tasted,
    assessor,
    pour_id,
    -- text; empty where the assessor wrote no word, so that one who said nothing still counts as having tasted
    word,
from split
order by season, session, tasted, assessor, pour_id, word

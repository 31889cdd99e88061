-- What:  the season a moment belongs to: '2025', or '2025-26' where seasons do not start with the year.
-- From:  nothing
create or replace macro season_of(moment, starts) as
    case
        when moment is null then 'undated'
        when starts = '01-01' then strftime(moment, '%Y')
        when strftime(moment, '%m-%d') >= starts
            then strftime(moment, '%Y') || '-' || right(cast(year(moment) + 1 as varchar), 2)
        else cast(year(moment) - 1 as varchar) || '-' || right(strftime(moment, '%Y'), 2)
    end

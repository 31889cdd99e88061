-- What:  readings that would explain why a set of balances does not close, likeliest first.
-- Grain: one row a finding and reading; suspect_no counts through the season.
-- From:  account.piece_suspect
create or replace table account.suspect as
with found as (
    select
        piece,
        max(suspect_no) as suspects,
    from account.piece_suspect
    group by piece
),

numbered as (
    select
        piece,
        cast(sum(suspects) over (order by piece) as bigint) - suspects as before,
    from found
)

select
    -- ids
    numbered.before + piece_suspect.suspect_no as suspect_no,
    -- all else
    piece_suspect.* exclude (piece, suspect_no),
from account.piece_suspect as piece_suspect
inner join numbered
    on numbered.piece = piece_suspect.piece
order by suspect_no, place_no

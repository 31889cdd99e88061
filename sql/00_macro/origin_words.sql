-- What:  where alcohol came from, in words: '62 % batch 12, 31 % batch 11, 7 % feints of batch 9'. An aggregate over one
--        row a batch of origin; what is under half a per cent is counted, not named.
create or replace macro origin_words(origin_batch, is_by_feints, is_pooled, share_frac) as
    string_agg(
        printf(
            '%.0f %% %s%s',
            1e2 * share_frac,
            if(is_by_feints, 'feints of ', ''),
            coalesce('batch ' || origin_batch, if(is_pooled, 'many other batches', 'not known'))
        ),
        ', '
        order by share_frac desc, origin_batch, [is_by_feints, is_pooled]
    ) filter (where share_frac >= 5e-3)
    || case
        when count(*) filter (where share_frac < 5e-3) = 0 then ''
        else printf(', the rest in traces of %d', count(*) filter (where share_frac < 5e-3))
    end

-- Version 2: observations in flat columns, for other programs that open the file.
-- The CSV export is this view, row by row.

CREATE VIEW flat_observation AS
SELECT
    run,
    seq,
    data ->> '$.at' AS at_s,
    data ->> '$.purpose' AS purpose,
    data ->> '$.set.supply' AS supply_set_V,
    data ->> '$.set.path' AS path,
    data ->> '$.set.series' AS series_ohm,
    data ->> '$.set.sense' AS sense_ohm,
    (SELECT group_concat(value, ' ') FROM json_each(data, '$.set.shunt')) AS shunt_ohm,
    data ->> '$.set.reversed' AS reversed,
    data ->> '$.set.connected' AS connected,
    data ->> '$.loop_drop.value' AS loop_V,
    data ->> '$.loop_drop.s' AS loop_s_V,
    data ->> '$.loop_drop.n' AS loop_n,
    data ->> '$.loop_drop.range' AS loop_range_V,
    (data ->> '$.loop_drop.value') / (data ->> '$.set.sense') AS loop_A,
    data ->> '$.drop.value' AS drop_V,
    data ->> '$.drop.s' AS drop_s_V,
    data ->> '$.drop.n' AS drop_n,
    data ->> '$.drop.range' AS drop_range_V,
    data ->> '$.supply.value' AS supply_V,
    data ->> '$.supply.s' AS supply_s_V,
    data ->> '$.supply.n' AS supply_n,
    data ->> '$.supply.range' AS supply_range_V,
    data ->> '$.needle.deflection' AS needle_of_full_scale,
    data ->> '$.needle.u' AS needle_u,
    data ->> '$.needle.u_shared' AS needle_u_shared,
    data ->> '$.needle_s' AS needle_s,
    data ->> '$.sightings' AS sightings,
    data ->> '$.refused[0]' AS refused,
    data ->> '$.refused[1]' AS refused_last_reason,
    data ->> '$.unsettled' AS unsettled_of_full_scale
FROM observation;

//! What other programs read of the log: views whose columns have names, units and texts. SCHEMA.md documents each.

/// The views, as a migration. One is changed by a later migration that drops it and makes it anew.
pub(super) const VIEWS: &str = "
    CREATE VIEW log_readings AS
    SELECT t.sequence, m.name AS meter,
        strftime('%Y-%m-%dT%H:%M:%S', t.at_ns / 1000000000, 'unixepoch') || printf('.%09dZ', t.at_ns % 1000000000) AS at,
        t.at_ns, b.name AS boot, t.t_s, t.began_s, t.integration_s,
        CASE t.illuminance WHEN 0 THEN 'luminance' ELSE 'illuminance' END AS quantity,
        t.value,
        CASE WHEN t.x IS NOT NULL AND t.z IS NOT NULL THEN t.x END AS xyz_x,
        CASE WHEN t.x IS NOT NULL AND t.z IS NOT NULL THEN t.value END AS xyz_y,
        CASE WHEN t.x IS NOT NULL AND t.z IS NOT NULL THEN t.z END AS xyz_z,
        CASE WHEN t.coloured THEN t.x / (t.x + t.value + t.z) END AS x,
        CASE WHEN t.coloured THEN t.value / (t.x + t.value + t.z) END AS y,
        CASE WHEN t.coloured THEN 4 * t.x / (t.x + 15 * t.value + 3 * t.z) END AS u_prime,
        CASE WHEN t.coloured THEN 9 * t.value / (t.x + 15 * t.value + 3 * t.z) END AS v_prime,
        t.observer, t.bandwidth_nm, t.correction, t.temperature_c,
        (SELECT group_concat(run) FROM run_readings WHERE sequence = t.sequence) AS runs,
        t.flags
    FROM readings t JOIN meters m ON m.id = t.meter JOIN boots b ON b.id = t.boot;

    CREATE VIEW log_spectra AS
    SELECT s.sequence, m.name AS meter,
        strftime('%Y-%m-%dT%H:%M:%S', t.at_ns / 1000000000, 'unixepoch') || printf('.%09dZ', t.at_ns % 1000000000) AS at,
        t.at_ns, s.start_nm, s.step_nm, length(s.f64_le) / 8 AS count, s.f64_le
    FROM spectra s JOIN readings t ON t.sequence = s.sequence JOIN meters m ON m.id = t.meter;

    CREATE VIEW log_events AS
    SELECT e.sequence,
        strftime('%Y-%m-%dT%H:%M:%S', e.at_ns / 1000000000, 'unixepoch') || printf('.%09dZ', e.at_ns % 1000000000) AS at,
        e.at_ns, b.name AS boot, e.t_s, e.kind, m.name AS meter, e.run, e.detail
    FROM events e JOIN boots b ON b.id = e.boot LEFT JOIN meters m ON m.id = e.meter;

    CREATE VIEW log_runs AS
    SELECT r.run, m.name AS meter, r.state,
        json_extract(r.document, '$.plan.kind') AS kind,
        json_extract(r.document, '$.plan.label') AS label,
        json_extract(r.document, '$.created') AS created,
        json_extract(r.document, '$.begins') AS begins,
        json_extract(r.document, '$.ends') AS ends,
        json_extract(r.document, '$.points') AS points,
        json_extract(r.document, '$.readings') AS readings,
        json_extract(r.document, '$.missed') AS missed,
        json_extract(r.document, '$.first') AS first,
        json_extract(r.document, '$.last') AS last,
        json_extract(r.document, '$.gaps') AS gaps,
        json_extract(r.document, '$.gap_s') AS gap_s,
        json_extract(r.document, '$.alerts') AS alerts,
        json_extract(r.document, '$.verdict') AS verdict,
        json_extract(r.document, '$.message') AS message,
        r.document
    FROM runs r JOIN meters m ON m.id = r.meter;

    CREATE VIEW log_bins AS
    SELECT n.bin, m.name AS meter,
        strftime('%Y-%m-%dT%H:%M:%S', n.at_ns / 1000000000, 'unixepoch') || printf('.%09dZ', n.at_ns % 1000000000) AS at,
        n.at_ns, n.span_ns / 1e9 AS span_s, b.name AS boot, n.t_s,
        CASE n.illuminance WHEN 0 THEN 'luminance' ELSE 'illuminance' END AS quantity,
        n.count, n.first, n.last, n.mean, n.min, n.max,
        CASE WHEN n.count > 1 THEN n.squares / (n.count - 1) END AS variance,
        n.coloured,
        CASE WHEN n.y > 0 AND n.x + n.y + n.z > 0 THEN n.x / (n.x + n.y + n.z) END AS x,
        CASE WHEN n.y > 0 AND n.x + n.y + n.z > 0 THEN n.y / (n.x + n.y + n.z) END AS y,
        CASE WHEN n.y > 0 AND n.x + n.y + n.z > 0 THEN 4 * n.x / (n.x + 15 * n.y + 3 * n.z) END AS u_prime,
        CASE WHEN n.y > 0 AND n.x + n.y + n.z > 0 THEN 9 * n.y / (n.x + 15 * n.y + 3 * n.z) END AS v_prime,
        n.observer, n.correction, n.temperature_c,
        (SELECT group_concat(run) FROM bin_runs WHERE bin = n.bin) AS runs,
        n.flags
    FROM bins n JOIN meters m ON m.id = n.meter JOIN boots b ON b.id = n.boot;
";

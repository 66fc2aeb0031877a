-- Questions that an archive is asked, each below its name. Braces are filled in where it is asked.

-- name: silent
-- Games whose values say nothing of a metric's noise, by the reasons in a report's comparisons.
SELECT DISTINCT review, game, setting, metric FROM comparisons
WHERE regexp_matches(reason, 'held_by_cap|frame_limit_declared|all_values_equal|tuning_not_applied|same_file_twice|same_samples_twice|log_unusable|sensor_log_unusable|value_not_usable|format_not_confirmed')
    AND (metric IN ({frame_rates}) OR NOT regexp_matches(reason, 'held_by_cap|frame_limit_declared'))
ORDER BY ALL

-- name: cells
-- Beyond 1e-50 and 1e50 no measurement lies, and logs stay numbers.
SELECT r.review, v.place_in_time, r.card, r.bench, coalesce(nullif(b.driver, ''), r.bench) AS driver,
    r.tuning, r.session, r.game, r.setting, m.metric,
    count(*) AS n, avg(x) AS mean, var_pop(x) * count(*) AS squares,
    any_value(m.definition) AS definition, coalesce(any_value(b.number)::INTEGER, 0) AS bench_number,
    CASE WHEN any_value(m.counts_frames)
         THEN coalesce(any_value(g.frames_counted || ' ' || g.generated_per_rendered), '') ELSE '' END AS frames,
    CASE WHEN any_value(m.is_power) THEN coalesce(any_value(c.power_measured_at), '') ELSE '' END
        AS power_measured_at,
    coalesce(any_value(g.versions), '') AS versions
FROM (
    SELECT *, CASE WHEN f.is_ratio THEN ln(value) ELSE value END AS x
    FROM run_metrics JOIN metric_facts f USING (metric)
    WHERE abs(value) < 1e50 AND (value > 1e-50 OR NOT f.is_ratio)
) m
JOIN runs r USING (review, run) JOIN reviews v USING (review)
LEFT JOIN benches b ON b.review = r.review AND b.name = r.bench
LEFT JOIN cards c ON c.review = r.review AND c.name = r.card
LEFT JOIN games g ON g.review = r.review AND g.name = r.game AND g.setting = r.setting
ANTI JOIN repeated p ON p.review = r.review AND p.run = r.run
ANTI JOIN silent s ON s.review = r.review AND s.game = r.game AND s.setting = r.setting AND s.metric = m.metric
WHERE r.used AND r.purpose = m.purpose_wanted
GROUP BY ALL
ORDER BY v.place_in_time, r.card, r.bench, r.tuning, r.session, r.game, r.setting, m.metric

-- name: typed
-- Typed runs: hashes of where they stand (tuning, game, setting, purpose, round) and of that with all values, and
-- the chance that another run there has the same values: that of the one metric that tells most. Two runs agree by
-- chance in about (last decimal / standard deviation) times 0.28 where values follow a normal law, 0.29 where they
-- spread evenly; 0.5 allows for a spread known from few runs. The spread of runs of which none was repeated is
-- taken as a thousandth of the value, less than on any bench.
WITH numbers AS (
    SELECT r.review, v.place_in_time, r.run, r.card, r.bench, r.tuning, r.game, r.setting, r.purpose, r.round,
        m.metric, m.value, m.step
    FROM runs r JOIN run_metrics m USING (review, run) JOIN reviews v USING (review)
    WHERE r.frame_log_sha256 = '' AND m.value IS NOT NULL),
repeats AS (
    SELECT card, game, setting, metric, count(*) - 1 AS df,
        stddev_samp(value) / nullif(abs(avg(value)), 0) AS spread
    FROM numbers GROUP BY review, card, bench, tuning, game, setting, purpose, metric HAVING count(*) > 1),
of_scene AS (
    SELECT card, game, setting, metric, sqrt(sum(df * spread ** 2) / sum(df)) AS own FROM repeats GROUP BY ALL),
of_card AS (SELECT card, metric, median(spread) AS usual FROM repeats GROUP BY ALL),
spreads AS (
    SELECT n.*, coalesce(least(own, usual), 0.001) * abs(value) AS spread
    FROM numbers n LEFT JOIN of_scene USING (card, game, setting, metric) LEFT JOIN of_card USING (card, metric)),
telling AS (
    SELECT *, CASE WHEN step > 0 AND spread > 0 THEN least(1, 0.5 * step / spread) ELSE 1 END AS chance
    FROM spreads)
SELECT review, place_in_time, run, card, bench, tuning, min(chance) AS chance,
    hash(card, bench, tuning, game, setting, purpose, round) AS stands,
    hash(card, bench, tuning, game, setting, purpose, round,
         string_agg(metric || '=' || value, ';' ORDER BY metric)) AS same
FROM telling
GROUP BY review, place_in_time, run, card, bench, tuning, game, setting, purpose, round

-- name: pairs
SELECT s.review, t.review AS other, s.card, s.bench, s.tuning, s.run, t.run AS run_there, t.place_in_time
FROM typed s JOIN typed t ON t.same = s.same AND t.place_in_time < s.place_in_time

-- name: judged
-- Pairs of reviews with runs of one tuning that agree: how many, of how many, and whether that is no chance. With
-- an expected number of agreements of m, k or more come with a chance of at most m^k / k!. Typed numbers can agree
-- by chance: runs are taken for the same only where chance would do as much less than once in 100,000 times.
WITH groups AS (
    SELECT review, other, card, bench, tuning, place_in_time, count(DISTINCT run) AS n,
        least(count(DISTINCT run), count(DISTINCT run_there)) AS k
    FROM pairs GROUP BY ALL),
sizes AS (SELECT review, card, bench, tuning, count(*) AS n FROM typed GROUP BY ALL),
expected AS (
    SELECT g.review, g.other, g.card, g.bench, g.tuning, sum(greatest(s.chance, t.chance)) AS m
    FROM groups g JOIN typed s USING (review, card, bench, tuning)
    JOIN typed t ON t.review = g.other AND t.stands = s.stands GROUP BY ALL)
SELECT g.*, least(a.n, b.n) AS fewer, g.k * ln(e.m) - lgamma(g.k + 1) <= ln(1e-05) AS is_sure
FROM groups g JOIN expected e USING (review, other, card, bench, tuning)
JOIN sizes a USING (review, card, bench, tuning)
JOIN sizes b ON (b.review, b.card, b.bench, b.tuning) = (g.other, g.card, g.bench, g.tuning)

-- name: repeated
-- Of runs with a log, the log says which run it is.
WITH logged AS (
    SELECT r.review, r.run, min(v.place_in_time) OVER (PARTITION BY r.frame_log_sha256) AS first_place
    FROM runs r JOIN reviews v USING (review) WHERE r.frame_log_sha256 <> '')
SELECT f.review, f.run, o.review AS other FROM (
    SELECT l.review, l.run, l.first_place FROM logged l JOIN reviews v USING (review)
    WHERE l.first_place < v.place_in_time
    UNION ALL (
    SELECT p.review, p.run, min(p.place_in_time) AS first_place
    FROM pairs p JOIN judged j USING (review, other, card, bench, tuning) WHERE is_sure GROUP BY ALL)
) f JOIN reviews o ON o.place_in_time = f.first_place ORDER BY o.place_in_time, f.review, f.run

-- name: same runs
SELECT v.place, o.place AS other, count(*) AS n FROM repeated r JOIN reviews v USING (review)
JOIN reviews o ON o.review = r.other GROUP BY ALL ORDER BY v.place, other

-- name: same numbers
-- Runs that agree, but not beyond chance, are told of from 3 on, and from half of the fewer runs.
SELECT v.place, o.place AS other, sum(j.n)::BIGINT AS n
FROM judged j JOIN reviews v USING (review) JOIN reviews o ON o.review = j.other
WHERE NOT is_sure AND j.n >= 3 AND j.n >= 0.5 * fewer
GROUP BY ALL ORDER BY v.place, other

-- name: reviews
SELECT v.* EXCLUDE (n_runs, n_counted, n_sessions), coalesce(a.n_runs, 0) AS n_runs,
    coalesce(c.n_counted, 0) AS n_counted, coalesce(c.n_sessions, 0) AS n_sessions
FROM reviews v
LEFT JOIN (SELECT review, count(*) AS n_runs FROM runs GROUP BY review) a USING (review)
LEFT JOIN (
    SELECT r.review, count(*) AS n_counted, count(DISTINCT (r.card, r.bench, r.session)) AS n_sessions
    FROM runs r ANTI JOIN repeated p ON p.review = r.review AND p.run = r.run WHERE r.used GROUP BY r.review
) c USING (review) ORDER BY v.place_in_time

-- name: claims made
SELECT v.review, v.place_in_time, v.date, v.name, count(c.id) AS n,
    count(*) FILTER (c.verdict = 'supported') AS supported,
    count(*) FILTER (c.verdict = 'contradicted') AS contradicted,
    count(*) FILTER (c.verdict = 'not_shown') AS not_shown,
    any_value(coalesce(o.n, 0)) AS n_overall,
    count(DISTINCT CASE WHEN replace(c.over, ' ', '_') IN ('these_games', 'games_like_these', 'every_game')
        THEN (c.metric, c.of, c.against) END) AS n_claimed
FROM reviews v LEFT JOIN claims c USING (review)
LEFT JOIN (SELECT review, count(*) AS n FROM overall WHERE scope = 'these_games' AND change IS NOT NULL
    GROUP BY review) o ON o.review = v.review
GROUP BY v.review, v.place_in_time, v.date, v.name ORDER BY v.place_in_time

-- name: margins
SELECT c.metric, arg_max(c.margin, v.place_in_time) AS margin FROM comparisons c JOIN reviews v USING (review)
WHERE c.margin IS NOT NULL GROUP BY c.metric

-- name: comparisons of games
-- A comparison that a later review makes again, of the same runs of both sides, counts there alone.
WITH held AS (
    SELECT p.review, p.other AS origin, r.card, r.tuning, r.bench, r.game, r.setting
    FROM repeated p JOIN runs r USING (review, run)
    UNION
    SELECT p.other, p.other, r.card, r.tuning, r.bench, r.game, r.setting
    FROM repeated p JOIN runs r USING (review, run)),
again AS (
    SELECT DISTINCT e.review, l.review AS later, e.card, e.tuning, e.bench, e.game, e.setting
    FROM held e JOIN held l USING (origin, card, tuning, bench, game, setting)
    JOIN reviews a ON a.review = e.review JOIN reviews b ON b.review = l.review
    WHERE a.place_in_time < b.place_in_time),
judged_again AS (
    SELECT s.review, d.* EXCLUDE (review)
    FROM comparisons d
    JOIN again s ON (s.later, s.card, s.tuning, s.bench, s.game, s.setting)
        = (d.review, d.of_card, d.of_tuning, d.of_bench, d.game, d.setting)
    JOIN again t ON (t.review, t.later, t.card, t.tuning, t.bench, t.game, t.setting)
        = (s.review, d.review, d.against_card, d.against_tuning, d.against_bench, d.game, d.setting)
    WHERE d.margin IS NOT NULL)
SELECT review, {pair}, game, setting, metric, change, least(n, n_against) AS n, margin, verdict, reason
FROM comparisons ANTI JOIN judged_again USING (review, {pair}, game, setting, metric) WHERE margin IS NOT NULL

-- name: benches compared
-- Results of reviews that compared two benches themselves.
SELECT o.of_card AS card, o.of_tuning AS tuning, o.metric, 'review' AS source, o.review, o."group",
    coalesce(nullif(a.driver, ''), o.of_bench) AS of_driver,
    coalesce(nullif(b.driver, ''), o.against_bench) AS against_driver,
    o.n_games, o.change, o.ci_low, o.ci_high, o.df, o.p_difference, o.p_difference_adjusted,
    o.p_equivalence_adjusted, o.margin, o.verdict, o.reason,
    CASE WHEN o.scale = 'ratio' THEN '%' ELSE o.unit END AS unit, v.place_in_time AS first_place
FROM overall o JOIN reviews v USING (review)
LEFT JOIN benches a ON a.review = o.review AND a.name = o.of_bench
LEFT JOIN benches b ON b.review = o.review AND b.name = o.against_bench
WHERE o.scope = 'these_games' AND o.of_bench <> o.against_bench AND o.of_card = o.against_card
    AND o.of_tuning = o.against_tuning AND o.change IS NOT NULL
ORDER BY v.place_in_time, card, tuning, o.metric

-- name: sides
-- Runs of the tuning that each review has as its reference.
SELECT {by}, sum(n)::BIGINT AS n, sum(n * mean) / sum(n) AS mean, sum(squares) AS squares,
    sum(n - 1)::DOUBLE AS df, count(*) AS sessions, sum(n * n)::DOUBLE / sum(n) ** 2 AS share,
    min(place_in_time) AS first_place, min(bench_number) AS first_bench, {alike}
FROM (SELECT c.* FROM cells c JOIN tunings t ON t.review = c.review AND t.name = c.tuning
    WHERE t.reference = 'True')
GROUP BY {by} ORDER BY {by}

-- name: run noise
SELECT CASE WHEN grouping(bench) = 1 THEN 'all' ELSE 'bench' END AS scope, coalesce(bench, '') AS bench,
    game, setting, metric, sum(n)::BIGINT AS n, sum(squares) AS squares, sum(n - 1)::DOUBLE AS df,
    count(DISTINCT review) AS n_reviews, count(DISTINCT (review, card, bench, session)) AS n_sessions
FROM cells GROUP BY GROUPING SETS ((game, setting, metric), (bench, game, setting, metric))
HAVING sum(n - 1) > 0 ORDER BY scope, bench, game, setting, metric

-- name: restarts
-- A session serves the tuning with the most sessions, the reference first; then squares between the sessions of it.
WITH measured AS (SELECT DISTINCT review, card, bench, tuning, session FROM cells WHERE session <> ''),
counted AS (SELECT *, count(*) OVER (PARTITION BY review, card, bench, tuning) AS sessions FROM measured),
served AS (
    SELECT m.review, m.card, m.bench, m.session, m.tuning
    FROM counted m LEFT JOIN tunings t ON t.review = m.review AND t.name = m.tuning
    QUALIFY row_number() OVER (PARTITION BY m.review, m.card, m.bench, m.session
        ORDER BY m.sessions DESC, coalesce(t.reference, '') <> 'True', m.tuning) = 1),
kept AS (
    SELECT c.review, c.card, c.bench, c.tuning, c.game, c.setting, c.metric, c.n, c.mean,
        sum(c.n * c.mean) OVER cell / sum(c.n) OVER cell AS centre
    FROM cells c JOIN served s USING (review, card, bench, session, tuning)
    WINDOW cell AS (PARTITION BY c.review, c.card, c.bench, c.tuning, c.game, c.setting, c.metric))
SELECT review, card, bench, tuning, game, setting, metric, sum(n * (mean - centre) ** 2) AS squares,
    sum(n) - sum(n * n) / sum(n) AS weight, count(*) - 1.0 AS df
FROM kept GROUP BY ALL HAVING count(*) > 1 ORDER BY ALL

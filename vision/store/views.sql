-- What the questions ask of. Made anew on each reading connection, so they never age.

CREATE TEMP VIEW clip_report AS
SELECT c.clip_id, coalesce(c.play_id, p.play_id) AS play_id, coalesce(c.game_id, p.game_id) AS game_id,
       coalesce(c.play_number, p.play_number) AS play_number, c.path, c.view, c.status, c.reason, c.start_s, c.end_s,
       p.kind, p.look, p.look_reason, p.snap_s, p.throw_s, p.result
FROM clips c FULL JOIN plays p ON p.play_id = c.play_id
ORDER BY game_id, play_number, clip_id;

-- Plays that count as pass plays: charted or understood as a pass, or not told apart.
CREATE TEMP VIEW pass_plays AS
SELECT * FROM plays WHERE coalesce(kind, 'pass') IN ('pass', 'unknown');

-- Plays seen on film: their player ids are given anew on each play. Ids of a tracking table last.
CREATE TEMP VIEW filmed AS SELECT DISTINCT play_id FROM clips WHERE play_id IS NOT NULL;

-- Names by team and number, where they are not doubled.
CREATE TEMP VIEW names AS
SELECT team, jersey, any_value(name) AS name FROM roster GROUP BY team, jersey HAVING count(*) = 1;

-- One row per eligible receiver and pass play: what he ran, and what became of the play.
CREATE TEMP VIEW receivers AS
SELECT p.game_id, p.play_id, p.play_number, p.offense, p.defense, p.quarter, p.down, p.distance, p.hash,
       p.formation, p.strength, p.field_side, p.qb_drop, p.boot, p.play_action, p.time_to_throw_s, p.result, p.result_source, p.yards,
       p.look, p.los_field_yd, p.direction,
       r.player_id AS receiver_id, m.jersey, m.role, m.side, m.receiver_number, m.split_yd, m.landmark,
       CASE m.side WHEN 'left' THEN p.left_combination WHEN 'right' THEN p.right_combination END AS combination,
       r.route, r.probability, r.runner_up, r.source AS route_source, r.stem_depth_play_yd, r.break_s,
       r.break_angle_deg, r.max_depth_play_yd, r.end_depth_play_yd, r.end_lateral_play_yd,
       CASE WHEN p.target_player_id IS NULL THEN NULL ELSE p.target_player_id = r.player_id END AS target
FROM routes r
JOIN pass_plays p ON p.play_id = r.play_id
LEFT JOIN players m ON m.play_id = r.play_id AND m.player_id = r.player_id;

-- One row per receiver, defender, kind and moment, with the men's numbers and roles.
CREATE TEMP VIEW coverage AS
SELECT x.*, d.jersey AS defender_jersey, d.role AS defender_role,
       CASE WHEN x.play_id NOT IN (SELECT play_id FROM filmed)
            THEN regexp_extract(x.defender_id, '[^|]*$') END AS defender_lasting,
       n.name AS defender_name
FROM matchups x
JOIN pass_plays p ON p.play_id = x.play_id
LEFT JOIN players d ON d.play_id = x.play_id AND d.player_id = x.defender_id
LEFT JOIN names n ON n.team = p.defense AND n.jersey = d.jersey;

-- One row per defender and pass play: his drop, and what the play was.
CREATE TEMP VIEW defenders AS
SELECT p.game_id, p.play_number, p.offense, p.defense, p.down, p.distance, p.hash, p.formation, p.qb_drop,
       p.play_action, p.time_to_throw_s, p.result, p.yards, p.look, p.throw_s IS NOT NULL AS throw_known,
       CASE WHEN d.play_id NOT IN (SELECT play_id FROM filmed)
            THEN regexp_extract(d.player_id, '[^|]*$') END AS lasting_id,
       n.name,
       m.jersey, m.role, m.depth_play_yd AS align_depth_play_yd,
       m.lateral_play_yd AS align_lateral_play_yd, d.*
FROM drops d
JOIN pass_plays p ON p.play_id = d.play_id
LEFT JOIN players m ON m.play_id = d.play_id AND m.player_id = d.player_id
LEFT JOIN names n ON n.team = p.defense AND n.jersey = m.jersey;

-- Where everybody was from just before the snap on, once: of several clips of a play the sideline one.
CREATE TEMP VIEW paths AS
WITH chosen AS (
  SELECT t.play_id,
         arg_min(t.clip_id, CASE WHEN c.view = 'sideline' THEN 0 WHEN c.view IS NULL THEN 1 ELSE 2 END) AS clip_id
  FROM (SELECT DISTINCT play_id, clip_id FROM tracks) t
  LEFT JOIN clips c ON c.clip_id = t.clip_id AND c.play_id = t.play_id
  GROUP BY t.play_id
)
SELECT t.play_id, t.player_id, t.team, t.t_s, t.x_field_yd, t.y_field_yd
FROM tracks t JOIN chosen c ON c.play_id = t.play_id AND t.clip_id IS NOT DISTINCT FROM c.clip_id
WHERE t.t_s BETWEEN -0.3 AND 9 AND t.team IS DISTINCT FROM 'official';

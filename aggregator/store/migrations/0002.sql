-- What tells a node's frames after a restart: when it was heard last, keep-alives included, and which of its frames
-- could not be read. What is set aside says, as history does, what the clock was worth that dated it; of what was there
-- already nobody knows, so it counts as untrusted.
--
-- `uplink.late` may be 2 from here on: it came after newer ones, and fields that they did not carry were shown from it.

ALTER TABLE shown ADD COLUMN heard INTEGER;
UPDATE shown SET heard = received;

ALTER TABLE aside ADD COLUMN clock INTEGER NOT NULL DEFAULT 1;
ALTER TABLE aside ADD COLUMN counter INTEGER;
ALTER TABLE aside ADD COLUMN heard INTEGER;

INSERT INTO reason VALUES (32768, 'incomplete', 2);

DROP VIEW history;

CREATE VIEW history AS
SELECT tag, field, at, value, unit,
       CASE coalesce((SELECT max(grade) FROM reason WHERE bits & bit), 1)
           WHEN 3 THEN 'bad' WHEN 2 THEN 'uncertain' ELSE 'good' END AS grade,
       coalesce((SELECT group_concat(word, ', ') FROM (SELECT word FROM reason WHERE bits & bit ORDER BY bit)), '')
           AS reasons,
       observed, received, arrived, late, clock, node, counter
FROM (
    SELECT meter.tag AS tag, field.name AS field, field.unit AS unit,
           CASE reading.type WHEN 'null' THEN NULL ELSE reading.value END AS value,
           coalesce(json_extract(uplink.reasons, '$."' || reading.key || '"'), 0) AS bits,
           strftime('%Y-%m-%dT%H:%M:%fZ', uplink.at / 1000.0, 'unixepoch') AS at,
           strftime('%Y-%m-%dT%H:%M:%fZ', uplink.observed / 1000.0, 'unixepoch') AS observed,
           strftime('%Y-%m-%dT%H:%M:%fZ', uplink.received / 1000.0, 'unixepoch') AS received,
           strftime('%Y-%m-%dT%H:%M:%fZ', uplink.arrived / 1000.0, 'unixepoch') AS arrived,
           uplink.late = 1 AS late,
           CASE uplink.clock WHEN 0 THEN 'trusted' WHEN 1 THEN 'untrusted' ELSE 'corrected' END AS clock,
           node.deveui AS node, uplink.counter AS counter
    FROM uplink
    JOIN meter ON meter.id = uplink.meter
    LEFT JOIN node ON node.id = uplink.node
    JOIN json_each(uplink.readings) AS reading
    JOIN field ON field.id = CAST(reading.key AS INTEGER)
);

-- A database of version 3, as `.dump` gives it, with the two pragmas that a dump leaves out.
PRAGMA application_id = 1095190356;
PRAGMA user_version = 3;
BEGIN TRANSACTION;
CREATE TABLE aside (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    at      INTEGER NOT NULL,
    reason  TEXT NOT NULL,
    detail  TEXT NOT NULL,
    topic   TEXT NOT NULL,
    node    TEXT,
    message BLOB NOT NULL
, clock INTEGER NOT NULL DEFAULT 1, counter INTEGER, heard INTEGER);
INSERT INTO "aside" VALUES(1,1790000000000,'bad JSON','at 1','lns/alder-fen/x/up',NULL,X'00FF7B',1,NULL,NULL);
CREATE TABLE event (
    id    INTEGER PRIMARY KEY,
    at    INTEGER NOT NULL,
    clock INTEGER NOT NULL,
    event TEXT NOT NULL,
    tag   TEXT,
    who   TEXT NOT NULL,
    facts TEXT NOT NULL      -- a JSON object
);
INSERT INTO "event" VALUES(1,1790000000000,0,'started',NULL,'gateway','{"run": 1}');
CREATE TABLE field (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    UNIQUE (name, unit)
);
INSERT INTO "field" VALUES(1,'flow','m3/h');
INSERT INTO "field" VALUES(2,'volume','m3');
INSERT INTO "field" VALUES(3,'h2s','ppm');
CREATE TABLE link (
    number INTEGER PRIMARY KEY,
    tag    TEXT NOT NULL,
    node   TEXT NOT NULL,
    since  INTEGER NOT NULL,
    until  INTEGER,          -- NULL while it is open
    record TEXT NOT NULL     -- a JSON object
);
INSERT INTO "link" VALUES(1,'FT-101','0a1def0000000001',1790000000000,NULL,'{"entered": 1790000060.0, "who": "fitter", "clock": 0, "by_file": false, "place": "north wall", "antenna": "", "note": "", "photo": null, "label": {}, "seen": [1789999000.0, [-101.0, 5.5, 9], [{"field": "flow", "label": "flow", "value": 120.5, "unit": "m3/h", "reasons": 0}]], "checks": [{"at": 1790000100.0, "who": "fitter", "field": "flow", "shows": 120.0, "read": 120.5, "unit": "m3/h", "age": 30.0, "bounds": [5.0, 5.0]}], "end": null}');
CREATE TABLE meter (
    id  INTEGER PRIMARY KEY,
    tag TEXT NOT NULL UNIQUE
);
INSERT INTO "meter" VALUES(1,'FT-101');
INSERT INTO "meter" VALUES(2,'QT-301');
CREATE TABLE node (
    id     INTEGER PRIMARY KEY,
    deveui TEXT NOT NULL UNIQUE
);
INSERT INTO "node" VALUES(1,'0a1def0000000001');
CREATE TABLE reason (
    bit   INTEGER PRIMARY KEY,
    word  TEXT NOT NULL,
    grade INTEGER NOT NULL   -- the grade it leads to: 1 good, 2 uncertain, 3 bad
);
INSERT INTO "reason" VALUES(4,'never seen',3);
INSERT INTO "reason" VALUES(8,'stale',2);
INSERT INTO "reason" VALUES(16,'out of range',2);
INSERT INTO "reason" VALUES(32,'jumped',2);
INSERT INTO "reason" VALUES(64,'stuck',2);
INSERT INTO "reason" VALUES(128,'sensor fault',3);
INSERT INTO "reason" VALUES(256,'decode failed',2);
INSERT INTO "reason" VALUES(512,'node clock off',1);
INSERT INTO "reason" VALUES(1024,'restored',2);
INSERT INTO "reason" VALUES(2048,'substituted',2);
INSERT INTO "reason" VALUES(4096,'low battery',1);
INSERT INTO "reason" VALUES(8192,'under test',2);
INSERT INTO "reason" VALUES(16384,'clamped',2);
INSERT INTO "reason" VALUES(32768,'incomplete',2);
CREATE TABLE settled (
    uplink INTEGER NOT NULL
);
INSERT INTO "settled" VALUES(3);
CREATE TABLE shown (
    meter    INTEGER PRIMARY KEY REFERENCES meter,
    observed INTEGER,
    received INTEGER,
    arrived  INTEGER,
    node     INTEGER REFERENCES node,
    counter  INTEGER,
    rssi     REAL,
    snr      REAL,
    spreading_factor REAL,
    readings TEXT NOT NULL   -- {"field id": [value, status bits, at], ...}
, heard INTEGER);
INSERT INTO "shown" VALUES(1,1790000001000,1790000001100,1790000001200,1,41,-101.0,5.5,9.0,'{"1":[120.5,0,1790000001000],"2":[18446744073709551616,24,1790000001000]}',1790000001100);
INSERT INTO "shown" VALUES(2,NULL,NULL,1790000002000,NULL,NULL,NULL,NULL,NULL,'{"3":[null,128,1790000002000]}',NULL);
CREATE TABLE state (
    tag   TEXT NOT NULL,
    name  TEXT NOT NULL,
    value TEXT NOT NULL,     -- JSON
    PRIMARY KEY (tag, name)
) WITHOUT ROWID;
INSERT INTO "state" VALUES('FT-101','alarm','{"latched": true}');
CREATE TABLE uplink (
    id       INTEGER PRIMARY KEY,
    meter    INTEGER NOT NULL REFERENCES meter,
    node     INTEGER REFERENCES node,
    counter  INTEGER,
    at       INTEGER NOT NULL,
    observed INTEGER,
    received INTEGER,
    arrived  INTEGER NOT NULL,
    clock    INTEGER NOT NULL,
    late     INTEGER NOT NULL,
    rssi     REAL,
    snr      REAL,
    spreading_factor REAL,
    readings TEXT NOT NULL,  -- {"field id": value, ...}
    reasons  TEXT            -- {"field id": status bits, ...} of the readings that have any; NULL where none has
);
INSERT INTO "uplink" VALUES(1,1,1,41,1790000001000,1790000001000,1790000001100,1790000001200,0,0,-101.0,5.5,9.0,'{"1":120.5,"2":18446744073709551616}','{"2":24}');
INSERT INTO "uplink" VALUES(2,2,NULL,NULL,1790000002000,NULL,NULL,1790000002000,1,0,NULL,NULL,NULL,'{"3":null}','{"3":128}');
INSERT INTO "uplink" VALUES(3,1,1,40,1790000003000,NULL,1790000003000,1790000003500,0,1,NULL,NULL,NULL,'{"1":-0.0}',NULL);
CREATE UNIQUE INDEX uplink_of_meter ON uplink (meter, at, node, counter);
CREATE INDEX event_in_time ON event (at);
CREATE VIEW journal AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS at, event, tag, who, facts,
       CASE clock WHEN 0 THEN 'trusted' WHEN 1 THEN 'untrusted' ELSE 'corrected' END AS clock
FROM event;
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
CREATE VIEW links AS
SELECT tag, node,
       strftime('%Y-%m-%dT%H:%M:%fZ', since / 1000.0, 'unixepoch') AS since,
       strftime('%Y-%m-%dT%H:%M:%fZ', until / 1000.0, 'unixepoch') AS until,
       json_extract(record, '$.who') AS who,
       json_extract(record, '$.end[1]') AS ended_by,
       json_extract(record, '$.end[2]') AS why,
       json_extract(record, '$.place') AS place,
       json_extract(record, '$.antenna') AS antenna,
       json_extract(record, '$.note') AS note,
       json_extract(record, '$.photo') AS photo,
       json_array_length(record, '$.checks') AS compared
FROM link;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('aside',1);
COMMIT;

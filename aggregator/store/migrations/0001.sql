-- The first schema. TABLES.md beside this folder says what every table and column means, with example queries.
--
-- Readings stand as one JSON object in their uplink's row. As a row each they would be nicer to look at, and nearly
-- double what a flash card has to take: measured with one commit an uplink of five readings (page size 1024), 6.7 kB
-- against 3.9 kB an uplink. The view `history` gives a row a reading to whoever asks.
--
-- One index serves both "what did this meter report, in time order" and "is this uplink here already". A second one
-- for the second question alone would cost another 2.4 kB an uplink.

PRAGMA application_id = 1095190356;  -- 'AGGT': tells this database from any other

CREATE TABLE meter (
    id  INTEGER PRIMARY KEY,
    tag TEXT NOT NULL UNIQUE
);

CREATE TABLE node (
    id     INTEGER PRIMARY KEY,
    deveui TEXT NOT NULL UNIQUE
);

CREATE TABLE field (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    UNIQUE (name, unit)
);

-- Times are whole milliseconds since 1970-01-01 UTC. `clock`: 0 trusted, 1 untrusted, 2 corrected.
-- Ids rise in the order of arrival and are never used twice: the newest row is never deleted.
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

CREATE UNIQUE INDEX uplink_of_meter ON uplink (meter, at, node, counter);

-- The readings last shown of each meter, so that a restart need not look for them. It holds for uplinks up to
-- `settled.uplink` and is brought up to date now and then: what came after is read from `uplink`.
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
);

CREATE TABLE settled (
    uplink INTEGER NOT NULL
);

INSERT INTO settled VALUES (0);

CREATE TABLE event (
    id    INTEGER PRIMARY KEY,
    at    INTEGER NOT NULL,
    clock INTEGER NOT NULL,
    event TEXT NOT NULL,
    tag   TEXT,
    who   TEXT NOT NULL,
    facts TEXT NOT NULL      -- a JSON object
);

CREATE INDEX event_in_time ON event (at);

-- AUTOINCREMENT: whoever forgets a message by its id must never hit one that came later.
CREATE TABLE aside (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    at      INTEGER NOT NULL,
    reason  TEXT NOT NULL,
    detail  TEXT NOT NULL,
    topic   TEXT NOT NULL,
    node    TEXT,
    message BLOB NOT NULL
);

CREATE TABLE state (
    tag   TEXT NOT NULL,
    name  TEXT NOT NULL,
    value TEXT NOT NULL,     -- JSON
    PRIMARY KEY (tag, name)
) WITHOUT ROWID;

CREATE TABLE reason (
    bit   INTEGER PRIMARY KEY,
    word  TEXT NOT NULL,
    grade INTEGER NOT NULL   -- the grade it leads to: 1 good, 2 uncertain, 3 bad
);

INSERT INTO reason VALUES
    (4,     'never seen',     3),
    (8,     'stale',          2),
    (16,    'out of range',   2),
    (32,    'jumped',         2),
    (64,    'stuck',          2),
    (128,   'sensor fault',   3),
    (256,   'decode failed',  2),
    (512,   'node clock off', 1),
    (1024,  'restored',       2),
    (2048,  'substituted',    2),
    (4096,  'low battery',    1),
    (8192,  'under test',     2),
    (16384, 'clamped',        2);

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
           uplink.late AS late,
           CASE uplink.clock WHEN 0 THEN 'trusted' WHEN 1 THEN 'untrusted' ELSE 'corrected' END AS clock,
           node.deveui AS node, uplink.counter AS counter
    FROM uplink
    JOIN meter ON meter.id = uplink.meter
    LEFT JOIN node ON node.id = uplink.node
    JOIN json_each(uplink.readings) AS reading
    JOIN field ON field.id = CAST(reading.key AS INTEGER)
);

CREATE VIEW journal AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', at / 1000.0, 'unixepoch') AS at, event, tag, who, facts,
       CASE clock WHEN 0 THEN 'trusted' WHEN 1 THEN 'untrusted' ELSE 'corrected' END AS clock
FROM event;

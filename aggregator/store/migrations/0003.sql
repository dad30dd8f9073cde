-- Which node sits on which meter, where that is linked on the spot and not by meters.yaml. A link that ends stays, so
-- that a meter's history says whose readings they were. Tags and nodes stand as text, as in `event`: a link may be made
-- before the first uplink is stored.

CREATE TABLE link (
    number INTEGER PRIMARY KEY,
    tag    TEXT NOT NULL,
    node   TEXT NOT NULL,
    since  INTEGER NOT NULL,
    until  INTEGER,          -- NULL while it is open
    record TEXT NOT NULL     -- a JSON object
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

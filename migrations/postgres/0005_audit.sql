-- What went from one kind of place to another, by what was done, lot by lot and month by month: the sums of statements over many lots and
-- years. An undo counts as what it undid, the other way round. `from_key` and `to_key` name storerooms and blend lots; the nil UUID elsewhere.
CREATE TABLE flow_month (
    site UUID NOT NULL REFERENCES log_head (site),
    lot UUID NOT NULL REFERENCES record (id),
    kind TEXT COLLATE "C" NOT NULL,
    from_place TEXT COLLATE "C" NOT NULL,
    from_key UUID NOT NULL,
    to_place TEXT COLLATE "C" NOT NULL,
    to_key UUID NOT NULL,
    month TEXT COLLATE "C" NOT NULL,
    mass_mg BIGINT NOT NULL,
    PRIMARY KEY (site, lot, kind, from_place, from_key, to_place, to_key, month)
);
INSERT INTO flow_month (site, lot, kind, from_place, from_key, to_place, to_key, month, mass_mg)
SELECT source.site, source.lot, COALESCE(undone.kind, posting.kind), source.place,
       CASE WHEN source.place IN ('blended', 'store') THEN source.key ELSE '00000000-0000-0000-0000-000000000000'::uuid END,
       target.place,
       CASE WHEN target.place IN ('blended', 'store') THEN target.key ELSE '00000000-0000-0000-0000-000000000000'::uuid END,
       substr(movement.day, 1, 7), CAST(SUM(movement.mass_mg) AS BIGINT)
FROM movement
JOIN posting ON posting.id = movement.posting
LEFT JOIN posting AS undone ON undone.id = posting.reverses
JOIN account AS source ON source.id = movement.from_account
JOIN account AS target ON target.id = movement.to_account
GROUP BY 1, 2, 3, 4, 5, 6, 7, 8;

CREATE INDEX movement_day ON movement (day, position, line);
CREATE INDEX journal_kind ON journal (site, kind, position);

-- A count of what is there, as its steps were booked; the columns beside them follow from the steps.
CREATE TABLE count_session (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    state TEXT COLLATE "C" NOT NULL,
    frozen_at BIGINT NOT NULL,
    steps TEXT COLLATE "C" NOT NULL
);
CREATE INDEX count_session_frozen ON count_session (site, frozen_at, id);

-- Where an auditor's findings are looked for.
CREATE INDEX posting_late ON posting (site, position) WHERE late = TRUE;
CREATE INDEX posting_undoing ON posting (site, position) WHERE reverses IS NOT NULL;
CREATE INDEX weighing_reckoned ON weighing (posting) WHERE basis = 'reckoned';

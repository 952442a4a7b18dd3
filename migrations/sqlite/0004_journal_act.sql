-- What the learner is told besides batches is read by what was done.
CREATE INDEX journal_act ON journal (site, act, position);

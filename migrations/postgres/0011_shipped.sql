-- The last sales are found without walking through all postings.
CREATE INDEX posting_shipped ON posting (site, position) WHERE kind = 'ship';

-- Which of a route's recipients have a message that others still wait for, each
-- on a line of its own.
ALTER TABLE outbox ADD COLUMN had TEXT NOT NULL DEFAULT '';

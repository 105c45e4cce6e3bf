-- Which of a route's recipients have a message that others still wait for, each
-- on a line of its own. Not used any more: each recipient is a route.
ALTER TABLE outbox ADD COLUMN had TEXT NOT NULL DEFAULT '';

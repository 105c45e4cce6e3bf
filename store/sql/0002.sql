-- What message a pending delivery is part of, recorded before it is first sent:
-- 0: open yet; -1: one of its own; else the id of the first of those that are
-- one message.
ALTER TABLE outbox ADD COLUMN fold INTEGER NOT NULL DEFAULT 0;
CREATE INDEX outbox_fold ON outbox (fold) WHERE state = 0 AND fold > 0;
-- What was tried may have arrived under its own id.
UPDATE outbox SET fold = -1 WHERE state = 0 AND attempts > 0;

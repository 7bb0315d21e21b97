-- What the rig file said of the heads when it was last held: readings from before a change are of another studio.
ALTER TABLE metering ADD COLUMN heads TEXT;          -- JSON by head: position [m], intensity [cd], lamp, modifier

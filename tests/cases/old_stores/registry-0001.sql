PRAGMA application_id=1413632583;
PRAGMA user_version=0;
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE calibrations (
	id TEXT NOT NULL, 
	site TEXT NOT NULL, 
	probe TEXT NOT NULL, 
	depth TEXT NOT NULL, 
	offset_c DOUBLE NOT NULL, 
	valid_from BIGINT NOT NULL, 
	method TEXT NOT NULL, 
	CONSTRAINT pk_calibrations PRIMARY KEY (id)
);
INSERT INTO "calibrations" VALUES('c1','larkfield','P1','45',-0.4,1743494400000,'ice water');
CREATE TABLE counters (
	name TEXT NOT NULL, 
	value BIGINT NOT NULL, 
	CONSTRAINT pk_counters PRIMARY KEY (name)
);
INSERT INTO "counters" VALUES('facts',0);
INSERT INTO "counters" VALUES('pulse',0);
CREATE TABLE notes (
	id TEXT NOT NULL, 
	pile_id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	text TEXT NOT NULL, 
	figures JSON NOT NULL, 
	"by" TEXT NOT NULL, 
	CONSTRAINT pk_notes PRIMARY KEY (id), 
	CONSTRAINT fk_notes_pile_id FOREIGN KEY(pile_id) REFERENCES piles (id)
);
INSERT INTO "notes" VALUES('n1','p1','photo',1743498000000,'steam','{"a": 1}','');
CREATE TABLE photos (
	note_id TEXT NOT NULL, 
	jpeg BLOB NOT NULL, 
	CONSTRAINT pk_photos PRIMARY KEY (note_id), 
	CONSTRAINT fk_photos_note_id FOREIGN KEY(note_id) REFERENCES notes (id)
);
INSERT INTO "photos" VALUES('n1',X'FFD800206E6F207265616C2070696374757265');
CREATE TABLE piles (
	id TEXT NOT NULL, 
	site TEXT NOT NULL, 
	peg TEXT NOT NULL, 
	built_at BIGINT NOT NULL, 
	finished_at BIGINT, 
	volume_l DOUBLE, 
	kind TEXT, 
	rule_ids JSON NOT NULL, 
	guide_id TEXT, 
	mix JSON, 
	CONSTRAINT pk_piles PRIMARY KEY (id), 
	CONSTRAINT fk_piles_site FOREIGN KEY(site) REFERENCES sites (slug)
);
INSERT INTO "piles" VALUES('p1','larkfield','K-01',1743494400000,1743753600000,900.5,'caged','["us-nop-in-vessel"]',NULL,'{"feedstocks": [{"name": "straw", "mass_kg": 40.5}], "words": "\u00e9 \u5806\u80a5"}');
INSERT INTO "piles" VALUES('p2','larkfield','K-01',1743753600000,NULL,NULL,NULL,'[]',NULL,'null');
CREATE TABLE placements (
	id TEXT NOT NULL, 
	site TEXT NOT NULL, 
	probe TEXT NOT NULL, 
	pile_id TEXT NOT NULL, 
	start_at BIGINT NOT NULL, 
	end_at BIGINT, 
	position TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	CONSTRAINT pk_placements PRIMARY KEY (id), 
	CONSTRAINT fk_placements_pile_id FOREIGN KEY(pile_id) REFERENCES piles (id)
);
INSERT INTO "placements" VALUES('w1','larkfield','P1','p1',1743494400000,1743753600000,'middle','core');
CREATE TABLE probes (
	id TEXT NOT NULL, 
	site TEXT NOT NULL, 
	name TEXT NOT NULL, 
	first_heard_at BIGINT, 
	last_heard_at BIGINT, 
	interval_ms BIGINT, 
	interval_fixed BOOLEAN NOT NULL, 
	online BOOLEAN, 
	battery_percent DOUBLE, 
	battery_volt DOUBLE, 
	rssi_dbm DOUBLE, 
	repeats BIGINT NOT NULL, 
	differing_repeats BIGINT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_probes PRIMARY KEY (id), 
	CONSTRAINT uq_probes_site_name UNIQUE (site, name)
);
INSERT INTO "probes" VALUES('q1','larkfield','P1',NULL,NULL,NULL,0,1,81.5,NULL,NULL,0,0,'');
CREATE TABLE sites (
	slug TEXT NOT NULL, 
	name TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	CONSTRAINT pk_sites PRIMARY KEY (slug)
);
INSERT INTO "sites" VALUES('larkfield','Larkfield Yard','Europe/Dublin');
CREATE TABLE turns (
	id TEXT NOT NULL, 
	pile_id TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	source TEXT NOT NULL, 
	state TEXT NOT NULL, 
	note TEXT NOT NULL, 
	"by" TEXT NOT NULL, 
	CONSTRAINT pk_turns PRIMARY KEY (id), 
	CONSTRAINT fk_turns_pile_id FOREIGN KEY(pile_id) REFERENCES piles (id)
);
INSERT INTO "turns" VALUES('t1','p1',1743602400000,'logged','confirmed','it''s "hot"; turned','Ann');
CREATE INDEX ix_calibrations_site_probe ON calibrations (site, probe);
CREATE INDEX ix_piles_site_peg ON piles (site, peg);
CREATE UNIQUE INDEX uq_piles_open_peg ON piles (site, peg) WHERE finished_at IS NULL;
CREATE INDEX ix_notes_pile_id_at ON notes (pile_id, at);
CREATE INDEX ix_placements_pile_id ON placements (pile_id);
CREATE INDEX ix_placements_site_probe ON placements (site, probe);
CREATE INDEX ix_turns_pile_id_at ON turns (pile_id, at);
COMMIT;

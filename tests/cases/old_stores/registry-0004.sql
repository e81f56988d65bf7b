PRAGMA application_id=1413632583;
PRAGMA user_version=0;
BEGIN TRANSACTION;
CREATE TABLE accounts (
	id TEXT NOT NULL, 
	login TEXT NOT NULL, 
	name TEXT NOT NULL, 
	created_at BIGINT NOT NULL, 
	role TEXT, 
	site_roles JSON NOT NULL, 
	password_hash TEXT, 
	subject TEXT, 
	totp_secret TEXT, 
	totp_step BIGINT NOT NULL, 
	recovery JSON NOT NULL, 
	disabled_at BIGINT, 
	last_login_at BIGINT, 
	CONSTRAINT pk_accounts PRIMARY KEY (id), 
	CONSTRAINT uq_accounts_login UNIQUE (login), 
	CONSTRAINT uq_accounts_subject UNIQUE (subject)
);
INSERT INTO "accounts" VALUES('a1','ann','Ann',1743494400000,'manager','{}',NULL,NULL,NULL,0,'[]',NULL,NULL);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0004');
CREATE TABLE answers (
	scope TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	answer TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	CONSTRAINT pk_answers PRIMARY KEY (scope, "key")
);
INSERT INTO "answers" VALUES('scope','key','answer',1743494400000);
CREATE TABLE audit (
	seq INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	who TEXT NOT NULL, 
	"by" TEXT NOT NULL, 
	act TEXT NOT NULL, 
	what TEXT NOT NULL, 
	site TEXT, 
	source TEXT NOT NULL, 
	detail JSON NOT NULL, 
	digest TEXT NOT NULL, 
	CONSTRAINT pk_audit PRIMARY KEY (seq)
);
INSERT INTO "audit" VALUES(1,1743494400000,'account a1','Ann','sites.add','larkfield','larkfield','page','{"n": 1}','9702f80fa9940f9efc17c651c5ce26522776a51fd2a31ac7bcf2e6e912ea049a');
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
CREATE TABLE channels (
	id TEXT NOT NULL, 
	person_id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	target TEXT NOT NULL, 
	secret TEXT, 
	disabled_at BIGINT, 
	disabled_why TEXT NOT NULL, 
	CONSTRAINT pk_channels PRIMARY KEY (id), 
	CONSTRAINT fk_channels_person_id FOREIGN KEY(person_id) REFERENCES people (id)
);
INSERT INTO "channels" VALUES('ann-mail','ann','email','ann@example.org',NULL,NULL,'');
CREATE TABLE counters (
	name TEXT NOT NULL, 
	value BIGINT NOT NULL, 
	CONSTRAINT pk_counters PRIMARY KEY (name)
);
INSERT INTO "counters" VALUES('facts',0);
INSERT INTO "counters" VALUES('pulse',0);
CREATE TABLE credentials (
	site TEXT NOT NULL, 
	probe TEXT NOT NULL, 
	username TEXT NOT NULL, 
	password_hash TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	CONSTRAINT pk_credentials PRIMARY KEY (site, probe), 
	CONSTRAINT uq_credentials_username UNIQUE (username)
);
INSERT INTO "credentials" VALUES('larkfield','P1','larkfield.P1','a hash',1743494400000);
CREATE TABLE episodes (
	id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	site TEXT, 
	pile_id TEXT, 
	subject TEXT NOT NULL, 
	severity TEXT NOT NULL, 
	state TEXT NOT NULL, 
	opened_at BIGINT NOT NULL, 
	reason TEXT NOT NULL, 
	figures JSON NOT NULL, 
	worsened_at BIGINT, 
	acknowledged_at BIGINT, 
	acknowledged_by TEXT NOT NULL, 
	snoozed_until BIGINT, 
	resolved_at BIGINT, 
	resolved_reason TEXT NOT NULL, 
	clear_since BIGINT, 
	holds JSON NOT NULL, 
	CONSTRAINT pk_episodes PRIMARY KEY (id)
);
INSERT INTO "episodes" VALUES('e1','turn_due','larkfield','p1','','act','open',3600000,'load_reached_1','{"load": 1.25}',NULL,NULL,'',NULL,NULL,'',NULL,'{}');
CREATE TABLE memory (
	name TEXT NOT NULL, 
	value TEXT NOT NULL, 
	CONSTRAINT pk_memory PRIMARY KEY (name)
);
INSERT INTO "memory" VALUES('cursor','12');
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
CREATE TABLE notices (
	id TEXT NOT NULL, 
	episode_id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	severity TEXT NOT NULL, 
	person_id TEXT NOT NULL, 
	channel_id TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	title TEXT NOT NULL, 
	text TEXT NOT NULL, 
	pile_id TEXT, 
	peg TEXT NOT NULL, 
	site TEXT, 
	figures JSON NOT NULL, 
	links JSON NOT NULL, 
	state TEXT NOT NULL, 
	not_before BIGINT, 
	tries BIGINT NOT NULL, 
	next_try_at BIGINT, 
	leased_until BIGINT, 
	sent_at BIGINT, 
	last_error TEXT NOT NULL, 
	due_at BIGINT, 
	CONSTRAINT pk_notices PRIMARY KEY (id)
);
INSERT INTO "notices" VALUES('m1','e1','turn_due','act','ann','ann-mail','first',3600000,'K-01 wants a turn','by 16:00',NULL,'',NULL,'{}','{}','waiting',NULL,0,NULL,NULL,NULL,'',0);
CREATE TABLE people (
	id TEXT NOT NULL, 
	name TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	units TEXT NOT NULL, 
	language TEXT NOT NULL, 
	on_duty TEXT NOT NULL, 
	escalate_to TEXT, 
	CONSTRAINT pk_people PRIMARY KEY (id), 
	CONSTRAINT fk_people_escalate_to FOREIGN KEY(escalate_to) REFERENCES people (id)
);
INSERT INTO "people" VALUES('ann','Ann','Europe/Dublin','celsius','en','',NULL);
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
CREATE TABLE quarantine (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	received_at BIGINT NOT NULL, 
	topic TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	payload BLOB NOT NULL, 
	size BIGINT NOT NULL
);
INSERT INTO "quarantine" VALUES(1,1743494400000,'turnbell/larkfield/P1/readings','no JSON',X'00FF7B',3);
CREATE TABLE sites (
	slug TEXT NOT NULL, 
	name TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	CONSTRAINT pk_sites PRIMARY KEY (slug)
);
INSERT INTO "sites" VALUES('larkfield','Larkfield Yard','Europe/Dublin');
CREATE TABLE subscriptions (
	id TEXT NOT NULL, 
	person_id TEXT NOT NULL, 
	site TEXT, 
	pile_id TEXT, 
	kinds JSON, 
	min_severity TEXT NOT NULL, 
	CONSTRAINT pk_subscriptions PRIMARY KEY (id), 
	CONSTRAINT fk_subscriptions_person_id FOREIGN KEY(person_id) REFERENCES people (id), 
	CONSTRAINT fk_subscriptions_pile_id FOREIGN KEY(pile_id) REFERENCES piles (id), 
	CONSTRAINT fk_subscriptions_site FOREIGN KEY(site) REFERENCES sites (slug)
);
INSERT INTO "subscriptions" VALUES('s1','ann','larkfield',NULL,'["turn_due"]','info');
CREATE TABLE tokens (
	id TEXT NOT NULL, 
	name TEXT NOT NULL, 
	role TEXT NOT NULL, 
	created_at BIGINT NOT NULL, 
	digest TEXT NOT NULL, 
	expires_at BIGINT, 
	last_used_at BIGINT, 
	site TEXT, 
	purpose JSON, 
	CONSTRAINT pk_tokens PRIMARY KEY (id), 
	CONSTRAINT uq_tokens_digest UNIQUE (digest)
);
INSERT INTO "tokens" VALUES('k1','phone','helper',1743494400000,'dddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddddd',NULL,NULL,NULL,'null');
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
CREATE INDEX ix_episodes_opened_at ON episodes (opened_at, id);
CREATE INDEX ix_episodes_pile_id ON episodes (pile_id);
CREATE INDEX ix_episodes_unresolved ON episodes (opened_at, id) WHERE state <> 'resolved';
CREATE UNIQUE INDEX uq_episodes_unresolved ON episodes (kind, coalesce(pile_id, ''), coalesce(site, ''), subject) WHERE state <> 'resolved';
CREATE INDEX ix_notices_at ON notices (at, id);
CREATE INDEX ix_notices_due_at ON notices (due_at) WHERE due_at IS NOT NULL;
CREATE INDEX ix_notices_episode_id ON notices (episode_id);
CREATE INDEX ix_notices_pile_id ON notices (pile_id);
CREATE INDEX ix_quarantine_received_at ON quarantine (received_at);
CREATE INDEX ix_channels_person_id ON channels (person_id);
CREATE INDEX ix_subscriptions_person_id ON subscriptions (person_id);
CREATE INDEX ix_audit_at ON audit (at);
CREATE TRIGGER audit_stays_update BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit log is only added to'); END;
CREATE TRIGGER audit_stays_delete BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit log is only added to'); END;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('quarantine',1);
COMMIT;

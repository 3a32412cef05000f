BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE cases (
	id VARCHAR(36) NOT NULL, 
	begun VARCHAR(32) NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "cases" VALUES('f9633968-1955-4800-8677-5f1d5749b745','2026-11-25T20:30:52.686940+00:00');
CREATE TABLE entries (
	case_id VARCHAR(36) NOT NULL, 
	number INTEGER NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	person TEXT NOT NULL, 
	version TEXT NOT NULL, 
	kind VARCHAR(32) NOT NULL, 
	content TEXT NOT NULL, 
	withdraws INTEGER, 
	what TEXT, 
	finding_key TEXT, 
	origin TEXT NOT NULL, 
	seal VARCHAR(64) NOT NULL, 
	PRIMARY KEY (case_id, number), 
	FOREIGN KEY(case_id) REFERENCES cases (id)
);
INSERT INTO "entries" VALUES('f9633968-1955-4800-8677-5f1d5749b745',1,'2026-11-25T20:30:52.694728+00:00','Ada at bench 3','0.1.0','machine','{"file": {"byte_count": 2587, "name": "machine.toml", "sha256": "7ee711e85c8504092aa9876cdea1dc6d5d2adcdb5b8824a2173c0a4183140a1f"}}',NULL,NULL,NULL,'','421132c0516f7f9b708eba2465616eabe8df7330eeef6e0d200cb926a8a10e8b');
INSERT INTO "entries" VALUES('f9633968-1955-4800-8677-5f1d5749b745',2,'2026-11-25T20:30:52.702147+00:00','Ada at bench 3','0.1.0','value','{"note": "", "text": "VCC = 4.9 V"}',NULL,NULL,NULL,'','66e4994988383de23437864f54dd8448ab6dbcc7c8c6751f06c9d8fda0433c95');
INSERT INTO "entries" VALUES('f9633968-1955-4800-8677-5f1d5749b745',3,'2026-11-25T20:30:52.704461+00:00','Ada at bench 3','0.1.0','note','{"text": "The fan is loud."}',NULL,NULL,NULL,'','44c6d23e898b2a0f080fac0a6101b4ec3a55844fb0f1f589b97a439af1b2aa78');
INSERT INTO "entries" VALUES('f9633968-1955-4800-8677-5f1d5749b745',4,'2026-11-25T20:30:52.707014+00:00','Ada at bench 3','0.1.0','withdrawn','{"number": 3, "why": "another machine"}',3,NULL,NULL,'','1c0ea4c2c688ee07c3d3319ec805d6b9f6797f4017ed1d6c1a926c7166c1198c');
INSERT INTO "entries" VALUES('f9633968-1955-4800-8677-5f1d5749b745',5,'2026-11-25T20:30:52.709056+00:00','Ada at bench 3','0.1.0','measurement','{"carries": "data", "kind": "continuity", "line": "D5", "note": "", "outcome": "open", "part": "X4"}',NULL,NULL,NULL,'','6095c06637dc7518dd260be91effc611d5ac4352e30023dd85dc0631a31e003b');
CREATE INDEX entries_by_kind ON entries (case_id, kind, number);
CREATE INDEX entries_by_finding ON entries (case_id, what, finding_key);
COMMIT;

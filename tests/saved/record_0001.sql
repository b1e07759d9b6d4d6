BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE binned (
	entity VARCHAR(16) NOT NULL, 
	entity_id VARCHAR(32) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_binned PRIMARY KEY (entity, entity_id)
);
CREATE TABLE check_photos (
	check_id VARCHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	name TEXT NOT NULL, 
	role TEXT NOT NULL, 
	CONSTRAINT pk_check_photos PRIMARY KEY (check_id, position), 
	CONSTRAINT fk_check_photos_check_id FOREIGN KEY(check_id) REFERENCES checks (id), 
	CONSTRAINT fk_check_photos_sha256 FOREIGN KEY(sha256) REFERENCES photos (sha256)
);
INSERT INTO "check_photos" VALUES('ab86e9f078634530a209480508165fc4',0,'5963b44997bf5c070ef8d7ed3f1c1c006bce4df973294201e5dc8efedd147f7b','face 0.jpg','face');
INSERT INTO "check_photos" VALUES('ab86e9f078634530a209480508165fc4',1,'148c93bf66c09ff6bef5193962e0e6efcd8ec1062dae76de7b097053f9560386','face 1.jpg','face');
INSERT INTO "check_photos" VALUES('cec2e2bf648c479a954422a49aa67a34',0,'5963b44997bf5c070ef8d7ed3f1c1c006bce4df973294201e5dc8efedd147f7b','face 0.jpg','face');
INSERT INTO "check_photos" VALUES('cec2e2bf648c479a954422a49aa67a34',1,'148c93bf66c09ff6bef5193962e0e6efcd8ec1062dae76de7b097053f9560386','face 1.jpg','face');
INSERT INTO "check_photos" VALUES('056e4061de514bb0be37b52b0022d1c7',0,'148c93bf66c09ff6bef5193962e0e6efcd8ec1062dae76de7b097053f9560386','face 1.jpg','face');
INSERT INTO "check_photos" VALUES('056e4061de514bb0be37b52b0022d1c7',1,'a272b89fef759a32f317816df0b246f9b742728d6604717c209fc4612d8f15d7','face 2.jpg','face');
INSERT INTO "check_photos" VALUES('d01a2f3fdc4842169f1b8121ec33130b',0,'060e77682f1c82a52baa157bfbced3d84d9943b3fae4755e1fcda634e566eaa8','bench.jpg','face');
CREATE TABLE checks (
	id VARCHAR(32) NOT NULL, 
	knife_id VARCHAR(32) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	stage_id VARCHAR(32), 
	kind TEXT NOT NULL, 
	again_of VARCHAR(32), 
	asked JSON NOT NULL, 
	CONSTRAINT pk_checks PRIMARY KEY (id), 
	CONSTRAINT fk_checks_knife_id FOREIGN KEY(knife_id) REFERENCES knives (id)
);
INSERT INTO "checks" VALUES('ab86e9f078634530a209480508165fc4','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:44.130057+00:00','026fd0fa808543a9be746883e6e23e07','symmetry',NULL,'{"thickness_mm": 4.0}');
INSERT INTO "checks" VALUES('cec2e2bf648c479a954422a49aa67a34','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:44.160038+00:00',NULL,'symmetry','ab86e9f078634530a209480508165fc4','{"thickness_mm": 4.0}');
INSERT INTO "checks" VALUES('056e4061de514bb0be37b52b0022d1c7','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:44.207272+00:00',NULL,'symmetry',NULL,'{"thickness_mm": 4.0}');
INSERT INTO "checks" VALUES('d01a2f3fdc4842169f1b8121ec33130b','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:44.219733+00:00',NULL,'photos',NULL,'{}');
CREATE TABLE facts (
	id VARCHAR(32) NOT NULL, 
	knife_id VARCHAR(32) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	sort_name TEXT NOT NULL, 
	pattern TEXT NOT NULL, 
	steel TEXT NOT NULL, 
	thickness_mm DOUBLE, 
	grind TEXT NOT NULL, 
	buyer_reference TEXT NOT NULL, 
	private JSON NOT NULL, 
	notes TEXT NOT NULL, 
	words TEXT NOT NULL, 
	CONSTRAINT pk_facts PRIMARY KEY (id), 
	CONSTRAINT fk_facts_knife_id FOREIGN KEY(knife_id) REFERENCES knives (id)
);
INSERT INTO "facts" VALUES('fb6010d42ad34bf8bddd73e1bd4e2160','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:43.318454+00:00','petty № 7 😀','petty no 7 😀','','14C28N',4.0,'','','["notes"]','=1+1
@bench','petty no 7 😀 14c28n =1+1 @bench');
INSERT INTO "facts" VALUES('e861bfac291d48b19eb203ff4f8b9f8e','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:43.367825+00:00','petty № 7 😀','petty no 7 😀','','14C28N, batch 3',NULL,'','','[]','','petty no 7 😀 14c28n, batch 3');
INSERT INTO "facts" VALUES('d0806024bc4247c7ab080c51276932f1','b17fe00006344f66acaadb5e3d640233','2026-11-25T15:36:44.221659+00:00','+second','+second','','',NULL,'','','[]','','+second');
CREATE TABLE knives (
	id VARCHAR(32) NOT NULL, 
	made_at VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_knives PRIMARY KEY (id)
);
INSERT INTO "knives" VALUES('413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:43.318454+00:00');
INSERT INTO "knives" VALUES('b17fe00006344f66acaadb5e3d640233','2026-11-25T15:36:44.221659+00:00');
CREATE TABLE notes (
	id VARCHAR(32) NOT NULL, 
	knife_id VARCHAR(32) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	stage_id VARCHAR(32), 
	kind TEXT NOT NULL, 
	corrects VARCHAR(32), 
	fields JSON NOT NULL, 
	CONSTRAINT pk_notes PRIMARY KEY (id), 
	CONSTRAINT fk_notes_knife_id FOREIGN KEY(knife_id) REFERENCES knives (id)
);
INSERT INTO "notes" VALUES('356c712504134e07b26f44634a24a105','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:43.340824+00:00','026fd0fa808543a9be746883e6e23e07','heat treatment',NULL,'{"soak": "10 min", "cycles": [2, 2.5]}');
INSERT INTO "notes" VALUES('440dd5b356ca4194aeee5ec351afb268','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:43.364490+00:00','026fd0fa808543a9be746883e6e23e07','heat treatment','356c712504134e07b26f44634a24a105','{"soak": "12 min", "cycles": [2, 2.5], "quench": null}');
CREATE TABLE outcomes (
	id VARCHAR(32) NOT NULL, 
	check_id VARCHAR(32) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	state TEXT NOT NULL, 
	verdict TEXT NOT NULL, 
	headline TEXT NOT NULL, 
	error TEXT NOT NULL, 
	advice TEXT NOT NULL, 
	error_photo INTEGER, 
	program_version TEXT NOT NULL, 
	result JSON NOT NULL, 
	CONSTRAINT pk_outcomes PRIMARY KEY (id), 
	CONSTRAINT fk_outcomes_check_id FOREIGN KEY(check_id) REFERENCES checks (id)
);
INSERT INTO "outcomes" VALUES('5ea463302e4045c797b751e693bbbf9c','ab86e9f078634530a209480508165fc4','2026-11-25T15:36:44.137215+00:00','done','mismatch','The plunge differs by -0.6 mm.','','',NULL,'0.1.0','{"verdict": "mismatch", "differences": [{"quantity": "plunge.mid", "value": -0.6, "std": 0.02, "unit": "mm", "expanded": 0.04, "tolerance": 0.25, "decision": "mismatch"}]}');
INSERT INTO "outcomes" VALUES('c2357b334b364884a1b8051646dc193a','cec2e2bf648c479a954422a49aa67a34','2026-11-25T15:36:44.162998+00:00','failed','','','No mat is seen.','Lay the blade on the mat.',1,'0.1.0','{}');
CREATE TABLE photos (
	sha256 VARCHAR(64) NOT NULL, 
	suffix TEXT NOT NULL, 
	size_bytes INTEGER NOT NULL, 
	width INTEGER NOT NULL, 
	height INTEGER NOT NULL, 
	added_at VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_photos PRIMARY KEY (sha256)
);
INSERT INTO "photos" VALUES('5963b44997bf5c070ef8d7ed3f1c1c006bce4df973294201e5dc8efedd147f7b','.jpg',1519,40,30,'2026-11-25T15:36:43.413782+00:00');
INSERT INTO "photos" VALUES('148c93bf66c09ff6bef5193962e0e6efcd8ec1062dae76de7b097053f9560386','.jpg',1519,40,30,'2026-11-25T15:36:43.429563+00:00');
INSERT INTO "photos" VALUES('a272b89fef759a32f317816df0b246f9b742728d6604717c209fc4612d8f15d7','.jpg',1514,40,30,'2026-11-25T15:36:44.204757+00:00');
INSERT INTO "photos" VALUES('060e77682f1c82a52baa157bfbced3d84d9943b3fae4755e1fcda634e566eaa8','.jpg',1510,40,30,'2026-11-25T15:36:44.217977+00:00');
CREATE TABLE stages (
	id VARCHAR(32) NOT NULL, 
	knife_id VARCHAR(32) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_stages PRIMARY KEY (id), 
	CONSTRAINT fk_stages_knife_id FOREIGN KEY(knife_id) REFERENCES knives (id)
);
INSERT INTO "stages" VALUES('026fd0fa808543a9be746883e6e23e07','413bdf03210642eb9759caac6c40ea98','2026-11-25T15:36:43.336654+00:00','heat treated','in the small oven');
CREATE INDEX ix_facts_knife_id_at ON facts (knife_id, at);
CREATE INDEX ix_stages_knife_id_at ON stages (knife_id, at);
CREATE INDEX ix_notes_knife_id_at ON notes (knife_id, at);
CREATE INDEX ix_checks_knife_id_at ON checks (knife_id, at);
CREATE INDEX ix_outcomes_check_id_at ON outcomes (check_id, at);
CREATE INDEX ix_check_photos_sha256 ON check_photos (sha256);
COMMIT;

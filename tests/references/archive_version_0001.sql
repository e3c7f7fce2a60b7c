-- An archive as wlmeasure 0.1.0 wrote it, tables of version 0001; the values are in the JSON file beside. Never made anew.
BEGIN TRANSACTION;
CREATE TABLE wl_archive (
	id INTEGER NOT NULL CONSTRAINT wl_archive_one CHECK (id = 1), 
	archive_id TEXT NOT NULL, 
	rows INTEGER NOT NULL, 
	sha256 TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "wl_archive" VALUES(1,'5f5de70259f3b9f753a1825c0a28ba16',6,'58d33b549f876b13b9501bd5a6a66b330a134ef1702ee72f8b5995adbde3b2df');
CREATE TABLE wl_cases (
	case_id TEXT NOT NULL, 
	tooth TEXT NOT NULL, 
	rows INTEGER NOT NULL, 
	sha256 TEXT NOT NULL, 
	revisions INTEGER NOT NULL, 
	entries INTEGER NOT NULL, 
	revision_seq INTEGER NOT NULL, 
	entry_seq INTEGER, 
	opened_at TEXT NOT NULL, 
	changed_at TEXT NOT NULL, 
	PRIMARY KEY (case_id)
);
INSERT INTO "wl_cases" VALUES('bench-1','46',4,'f55ef6fbc52a23fad7652113e4d91b0b1a4682d2492214e644f82065e1df3187',2,2,4,3,'2026-11-25T10:30:00','2026-11-25T10:30:00');
INSERT INTO "wl_cases" VALUES('P-2','46',2,'58d33b549f876b13b9501bd5a6a66b330a134ef1702ee72f8b5995adbde3b2df',1,1,5,6,'2026-11-25T10:30:00','2026-11-25T10:30:00');
CREATE TABLE wl_entries (
	seq INTEGER NOT NULL, 
	case_id TEXT NOT NULL, 
	entry_id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	canal TEXT NOT NULL, 
	day TEXT NOT NULL, 
	status TEXT, 
	length_mm FLOAT, 
	superseded_by INTEGER, 
	PRIMARY KEY (seq), 
	CONSTRAINT wl_entries_case UNIQUE (case_id, entry_id), 
	FOREIGN KEY(seq) REFERENCES wl_journal (seq)
);
INSERT INTO "wl_entries" VALUES(2,'bench-1','e1','film length','MB','2026-11-25','radiographic apex',22.0,3);
INSERT INTO "wl_entries" VALUES(3,'bench-1','e2','note','MB','2026-11-25',NULL,NULL,NULL);
INSERT INTO "wl_entries" VALUES(6,'P-2','n1','film length','MB','2026-11-25','radiographic apex',22.0,NULL);
CREATE TABLE wl_entry_flags (
	seq INTEGER NOT NULL, 
	code TEXT NOT NULL, 
	PRIMARY KEY (seq, code), 
	FOREIGN KEY(seq) REFERENCES wl_entries (seq)
);
INSERT INTO "wl_entry_flags" VALUES(6,'a-flag');
CREATE TABLE wl_films (
	case_id TEXT NOT NULL, 
	sha256 TEXT NOT NULL, 
	PRIMARY KEY (case_id, sha256), 
	FOREIGN KEY(case_id) REFERENCES wl_cases (case_id)
);
INSERT INTO "wl_films" VALUES('bench-1','cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc');
INSERT INTO "wl_films" VALUES('P-2','cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc');
CREATE TABLE wl_journal (
	seq INTEGER NOT NULL, 
	case_id TEXT NOT NULL, 
	case_seq INTEGER NOT NULL, 
	what TEXT NOT NULL, 
	stored_at TEXT NOT NULL, 
	stored_by TEXT NOT NULL, 
	content TEXT NOT NULL, 
	"before" TEXT NOT NULL, 
	case_before TEXT NOT NULL, 
	sha256 TEXT NOT NULL, 
	PRIMARY KEY (seq), 
	CONSTRAINT wl_journal_case UNIQUE (case_id, case_seq)
);
INSERT INTO "wl_journal" VALUES(1,'bench-1',1,'revision','2026-11-25T10:30:00','AB','{"canals":[{"apex":"closed","decision":{"at":"2026-11-25T10:30:00+01:00","by":"AB","length_mm":20.5,"reason":"readings repeat"},"electronic_readings":[{"conditions":["wet"],"file_size":15,"length_mm":21.5,"mark":"foramen"}],"joins":{"canal":"ML","mm_from_apex":3.0},"name":"MB","reference_point":"mesiobuccal cusp tip","resorption":"bone","traces":[{"apex_visibility":"clear","apical_end":"radiographic apex","clicks_px":[[20.0,60.0],[460.0,60.0]],"file_tip_px":[440.0,60.0],"film":"f1","path_px":[[20.0,60.0],[460.0,60.0]],"path_std_px":0.5,"reference_px":[10.0,60.0],"tracer":"given path","unseen_from_mm":20.0}]},{"name":"ML","reference_point":"mesiolingual cusp tip","traces":[]}],"case_id":"bench-1","films":[{"angulation":{"horizontal_deg":10.5,"tube_shift":"mesial","vertical_deg":-5.0},"col_over_row":1.0,"cols":300,"id":"f1","metal":"bright","path":"film.png","purpose":"trial file","rows":480,"scale":[{"kind":"known_file","known_length_mm":20.0,"known_length_std_mm":0.05,"path_px":[[20.0,50.0],[420.0,50.0]],"points_px":[[20.0,50.0],[420.0,50.0]],"trace_kind":"path","tracer":"symmetry-fit/1"},{"kind":"known_object","known_length_mm":10.0,"known_length_std_mm":0.05,"points_px":[[100.0,200.0],[300.0,200.0]]},{"claim":"ImagerPixelSpacing","kind":"spacing","magnification":1.05}],"sha256":"cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc"}],"later":{"ä":[1,2.5,null,true]},"schema":"wlmeasure-case/1","tooth":"47"}','0000000000000000000000000000000000000000000000000000000000000000','0000000000000000000000000000000000000000000000000000000000000000','1a58811c29c6225f439ad5287b2a037b22c99f381842f9f15f142fa0f89aca6d');
INSERT INTO "wl_journal" VALUES(2,'bench-1',2,'entry','2026-11-25T10:30:00','AB','{"at":"2026-11-25T10:30:00","by":"AB","canal":"MB","film_sha256":"0000000000000000000000000000000000000000000000000000000000000000","id":"e1","inputs_sha256":"1111111111111111111111111111111111111111111111111111111111111111","kind":"film length","length_mm":22.0,"length_std_mm":0.2,"note":"first","program":"wlmeasure 0.1.0","reference_point":"mesiobuccal cusp tip","status":"radiographic apex"}','1a58811c29c6225f439ad5287b2a037b22c99f381842f9f15f142fa0f89aca6d','1a58811c29c6225f439ad5287b2a037b22c99f381842f9f15f142fa0f89aca6d','c3bb779a93bc04a423374ae1b3326a4fbc738fc30ea56946b712cdcbb572ff7e');
INSERT INTO "wl_journal" VALUES(3,'bench-1',3,'entry','2026-11-25T10:30:00','AB','{"at":"2026-11-25T10:31:00","by":"AB","canal":"MB","id":"e2","kind":"note","supersedes":"e1"}','c3bb779a93bc04a423374ae1b3326a4fbc738fc30ea56946b712cdcbb572ff7e','c3bb779a93bc04a423374ae1b3326a4fbc738fc30ea56946b712cdcbb572ff7e','5bd64edaa7686da25ee550eb133123d0cb5343ee1fc2e979d33d8656197dba0c');
INSERT INTO "wl_journal" VALUES(4,'bench-1',4,'revision','2026-11-25T10:30:00','AB','{"canals":[{"apex":"closed","decision":{"at":"2026-11-25T10:30:00+01:00","by":"AB","length_mm":20.5,"reason":"readings repeat"},"electronic_readings":[{"conditions":["wet"],"file_size":15,"length_mm":21.5,"mark":"foramen"}],"joins":{"canal":"ML","mm_from_apex":3.0},"name":"MB","reference_point":"mesiobuccal cusp tip","resorption":"bone","traces":[{"apex_visibility":"clear","apical_end":"radiographic apex","clicks_px":[[20.0,60.0],[460.0,60.0]],"file_tip_px":[440.0,60.0],"film":"f1","path_px":[[20.0,60.0],[460.0,60.0]],"path_std_px":0.5,"reference_px":[10.0,60.0],"tracer":"given path","unseen_from_mm":20.0}]},{"name":"ML","reference_point":"mesiolingual cusp tip","traces":[]}],"case_id":"bench-1","films":[{"angulation":{"horizontal_deg":10.5,"tube_shift":"mesial","vertical_deg":-5.0},"col_over_row":1.0,"cols":300,"id":"f1","metal":"bright","path":"film.png","purpose":"trial file","rows":480,"scale":[{"kind":"known_file","known_length_mm":20.0,"known_length_std_mm":0.05,"path_px":[[20.0,50.0],[420.0,50.0]],"points_px":[[20.0,50.0],[420.0,50.0]],"trace_kind":"path","tracer":"symmetry-fit/1"},{"kind":"known_object","known_length_mm":10.0,"known_length_std_mm":0.05,"points_px":[[100.0,200.0],[300.0,200.0]]},{"claim":"ImagerPixelSpacing","kind":"spacing","magnification":1.05}],"sha256":"cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc"}],"later":{"ä":[1,2.5,null,true]},"schema":"wlmeasure-case/1","tooth":"46"}','5bd64edaa7686da25ee550eb133123d0cb5343ee1fc2e979d33d8656197dba0c','5bd64edaa7686da25ee550eb133123d0cb5343ee1fc2e979d33d8656197dba0c','f55ef6fbc52a23fad7652113e4d91b0b1a4682d2492214e644f82065e1df3187');
INSERT INTO "wl_journal" VALUES(5,'P-2',1,'revision','2026-11-25T10:30:00','AB','{"canals":[{"apex":"closed","decision":{"at":"2026-11-25T10:30:00+01:00","by":"AB","length_mm":20.5,"reason":"readings repeat"},"electronic_readings":[{"conditions":["wet"],"file_size":15,"length_mm":21.5,"mark":"foramen"}],"joins":{"canal":"ML","mm_from_apex":3.0},"name":"MB","reference_point":"mesiobuccal cusp tip","resorption":"bone","traces":[{"apex_visibility":"clear","apical_end":"radiographic apex","clicks_px":[[20.0,60.0],[460.0,60.0]],"file_tip_px":[440.0,60.0],"film":"f1","path_px":[[20.0,60.0],[460.0,60.0]],"path_std_px":0.5,"reference_px":[10.0,60.0],"tracer":"given path","unseen_from_mm":20.0}]},{"name":"ML","reference_point":"mesiolingual cusp tip","traces":[]}],"case_id":"P-2","films":[{"angulation":{"horizontal_deg":10.5,"tube_shift":"mesial","vertical_deg":-5.0},"col_over_row":1.0,"cols":300,"id":"f1","metal":"bright","path":"film.png","purpose":"trial file","rows":480,"scale":[{"kind":"known_file","known_length_mm":20.0,"known_length_std_mm":0.05,"path_px":[[20.0,50.0],[420.0,50.0]],"points_px":[[20.0,50.0],[420.0,50.0]],"trace_kind":"path","tracer":"symmetry-fit/1"},{"kind":"known_object","known_length_mm":10.0,"known_length_std_mm":0.05,"points_px":[[100.0,200.0],[300.0,200.0]]},{"claim":"ImagerPixelSpacing","kind":"spacing","magnification":1.05}],"sha256":"cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc"}],"later":{"ä":[1,2.5,null,true]},"schema":"wlmeasure-case/1","tooth":"46"}','f55ef6fbc52a23fad7652113e4d91b0b1a4682d2492214e644f82065e1df3187','0000000000000000000000000000000000000000000000000000000000000000','8860e616ca48c403792ed799b23048591448c7639b516ceff833d912f34a935c');
INSERT INTO "wl_journal" VALUES(6,'P-2',2,'entry','2026-11-25T10:30:00','AB','{"at":"2026-11-25T10:30:00","by":"AB","canal":"MB","film_sha256":"0000000000000000000000000000000000000000000000000000000000000000","flags":["a-flag"],"id":"n1","inputs_sha256":"1111111111111111111111111111111111111111111111111111111111111111","kind":"film length","later":"x","length_mm":22.0,"length_std_mm":0.2,"note":"first","program":"wlmeasure 0.1.0","reference_point":"mesiobuccal cusp tip","status":"radiographic apex"}','8860e616ca48c403792ed799b23048591448c7639b516ceff833d912f34a935c','8860e616ca48c403792ed799b23048591448c7639b516ceff833d912f34a935c','58d33b549f876b13b9501bd5a6a66b330a134ef1702ee72f8b5995adbde3b2df');
CREATE TABLE wl_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT wl_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "wl_version" VALUES('0001');
CREATE INDEX ix_wl_cases_tooth ON wl_cases (tooth);
CREATE INDEX wl_entries_status ON wl_entries (status);
CREATE INDEX wl_entries_day ON wl_entries (day);
CREATE INDEX wl_entry_flags_code ON wl_entry_flags (code);
CREATE INDEX wl_films_sha256 ON wl_films (sha256);
COMMIT;

-- A ledger of version 1 that holds one event of each kind, as sqlite3's iterdump wrote it. Never change it: it stands for the
-- ledgers that are in use. Its witness lies beside it.
PRAGMA application_id = 1685025639;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE rows (
    seq          INTEGER PRIMARY KEY,
    kind         TEXT    NOT NULL,
    wall_at_us   INTEGER NOT NULL,   -- microseconds since 1970-01-01 00:00 UTC, as the wall clock said
    boot_id      TEXT    NOT NULL CHECK (instr(boot_id, char(10)) = 0),
    mono_us      INTEGER NOT NULL,   -- CLOCK_BOOTTIME
    synchronised INTEGER NOT NULL CHECK (synchronised IN (0, 1)),
    proven_ms    INTEGER NOT NULL CHECK (proven_ms >= 0),
    channel      TEXT    CHECK (channel <> '' AND instr(channel, char(10)) = 0),
    slot         TEXT    CHECK (slot <> '' AND instr(slot, char(10)) = 0),  -- only in rows that consume it
    reservation  INTEGER,            -- only in settled rows: the seq that they settle
    body         TEXT    NOT NULL,   -- the event as canonical JSON
    hash         BLOB    NOT NULL CHECK (length(hash) = 32),
    CHECK ((kind = 'ledger_made') = (seq = 1))
) STRICT;
INSERT INTO "rows" VALUES(1,'ledger_made',1774699200000000,'boot-1',0,1,0,NULL,NULL,NULL,'{"bench":true,"full":true,"ledger_id":"ledger-of-the-tests"}',X'8562574F73D0787ACBB78CAB5F9D599F55A34A85A7F47A7B5AFCC8736EF5B706');
INSERT INTO "rows" VALUES(2,'started',1774699201000000,'boot-1',1000000,1,1000,NULL,NULL,NULL,'{"version":"0.1.0"}',X'7317C12971823FB10FB9ABE5D866AD80EE5A260F2CBF33939676F56A7F5A55AB');
INSERT INTO "rows" VALUES(3,'plan_loaded',1774699202000000,'boot-1',2000000,1,2000,NULL,NULL,NULL,'{"channels":{"alk":{"cup_ul":31000,"day_ul":115000,"rise_umol":{"alkalinity":199724},"run_ms":920000}},"rig":"lagoon","sha256":"0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f","timezone":"Europe/Lisbon","zone_from_at_us":1774699200000000}',X'08BDB33D48313036E938E52CC4528F3228CD2C8F66AA1C4606A4E3B21BFC2F0B');
INSERT INTO "rows" VALUES(4,'calibrated',1774699203000000,'boot-1',3000000,1,3000,'alk',NULL,NULL,'{"channel":"alk","flow_ul_per_s":251.25,"lag_ul":-12.5,"runs":[[60.0,15060.0],[60.5,15190.25]],"source":"measured"}',X'A313B9468EF760C9A5C6F94AAC303E078005B187AFFA750C31B804401061C9A2');
INSERT INTO "rows" VALUES(5,'refilled',1774699204000000,'boot-1',4000000,1,4000,'alk',NULL,NULL,'{"channel":"alk","found_ul":150000,"line_ul":3500,"stock":"soda","strength":{"alkalinity":1.7655},"to_ul":2000000}',X'7443BDC48E439A5780BA98A80A3BB98D453BCAFFA786F35BA4A3E9DD78EC8407');
INSERT INTO "rows" VALUES(6,'refilled',1774699205000000,'boot-1',5000000,1,5000,'ca',NULL,NULL,'{"channel":"ca","found_ul":null,"line_ul":0,"stock":"chloride","strength":{"calcium":0.883},"to_ul":2000000}',X'CDD4EFBA256ADA40AEFC42989668F18B507FD1485EE72DA4F3EB162586B5558E');
INSERT INTO "rows" VALUES(7,'reserved',1774699206000000,'boot-1',6000000,1,6000,'alk','alk-1',NULL,'{"asked_ul":3000,"asked_umol":null,"change_umol":{"alkalinity":5590},"channel":"alk","day":"2026-03-28","due_at_us":1774699200000000,"into":"tank","lease_ms":13000,"levels":{"alk.run":-5,"alk.volume":12000000},"nominal_ul_per_s":250.0,"purpose":"scheduled","reserved_ul":3250,"run_ms":12000,"slot":"alk-1"}',X'207402D0B49B7C3F7906674BFB8E0898475C6EDE4F75CC6CA0275DCCBC67960E');
INSERT INTO "rows" VALUES(8,'settled',1774699207000000,'boot-1',7000000,1,7000,'alk',NULL,7,'{"change_umol":{"alkalinity":2207},"channel":"alk","given_ul":1250,"outcome":"partial","ran_ms":5000,"reason":"held by the keeper, 12:00","reservation":7,"slot":"alk-1"}',X'3BE069DCFBCD62B3105026A1CA08B48022F48A20B6D0C5A1E854694318035022');
INSERT INTO "rows" VALUES(9,'not_given',1774699208000000,'boot-1',8000000,1,8000,'ca','ca-1',NULL,'{"asked_ul":3000,"asked_umol":1500.5,"channel":"ca","day":"2026-03-28","doses":3,"due_at_us":1774699200000001,"facts":{"allowance_ul":1100,"fits":null,"limit":"day","most":[1,2],"share":0.5},"outcome":"refused","purpose":"manual","reason":"above the day limit: 93.2 of 95 mL","slot":"ca-1"}',X'3CC1936A5BB8A6B5A6A92A6977303CD3C9E2EC5B6501D2B5CBDE6DC8E1BC501E');
INSERT INTO "rows" VALUES(10,'held',1774699209000000,'boot-1',9000000,1,9000,NULL,NULL,NULL,'{"reason":"the leak sensor is wet: «Überlauf»\n"}',X'BAA2033240EBF6E2785BDF768C8C5806449748C5404BBC47C8A1CDAF0101AC54');
INSERT INTO "rows" VALUES(11,'released',1774699210000000,'boot-1',10000000,1,10000,NULL,NULL,NULL,'{"by":"by hand"}',X'984484DA81BDD3C6876BA013F17A92A006954941E43B1FC0504C96B9C94D71AD');
INSERT INTO "rows" VALUES(12,'paused',1774699211000000,'boot-1',11000000,1,11000,NULL,NULL,NULL,'{"until_at_us":1774702800000000,"until_proven_ms":86400000}',X'B36E9E63763E5445FCE9ECA3FE924D09BB51643077CF824E62D0AD07C255BA6F');
INSERT INTO "rows" VALUES(13,'paused',1774699212000000,'boot-1',12000000,1,12000,NULL,NULL,NULL,'{"until_at_us":null,"until_proven_ms":null}',X'C9F1E5D4AFD02D10907BC33CF2556352C66C08323C0B1EB3D488704582DAC1A8');
INSERT INTO "rows" VALUES(14,'stamp',1774699213000000,'boot-1',13000000,1,13000,NULL,NULL,NULL,'{}',X'DC9B698281FF0C7ADDA8F0F9C4D557BA2548556DA356125F476027B289F4AF66');
INSERT INTO "rows" VALUES(15,'clock_moved',1774699214000000,'boot-1',14000000,1,14000,NULL,NULL,NULL,'{"by_s":-3600.25}',X'8452C8E86F8BA37CDAE4BA0C1270E053209B9D650229025255CD32961478C58B');
INSERT INTO "rows" VALUES(16,'clock_confirmed',1774699215000000,'boot-1',15000000,1,15000,NULL,NULL,NULL,'{"by":"keeper"}',X'1DDC26B4B62F1253B3A87BE15E5E3428456CD5DC000301A1708D42C2A6A5AE6E');
INSERT INTO "rows" VALUES(17,'stopped',1774699216000000,'boot-1',16000000,1,16000,NULL,NULL,NULL,'{"reason":"SIGTERM"}',X'8E90B44EA18C8A70CEB3DA7B36C944C3532951032C3D430167C298DD36B4D643');
CREATE UNIQUE INDEX rows_by_slot ON rows (slot) WHERE slot IS NOT NULL;
CREATE UNIQUE INDEX rows_by_reservation ON rows (reservation) WHERE reservation IS NOT NULL;
CREATE INDEX rows_by_kind ON rows (kind, channel);
CREATE TRIGGER rows_follow BEFORE INSERT ON rows
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM rows)
BEGIN SELECT RAISE(ABORT, 'a row must follow the newest row'); END;
CREATE TRIGGER rows_settle_reserved BEFORE INSERT ON rows
WHEN NEW.reservation IS NOT NULL
    AND NOT EXISTS (SELECT 1 FROM rows WHERE seq = NEW.reservation AND kind = 'reserved' AND channel IS NEW.channel)
BEGIN SELECT RAISE(ABORT, 'only a reserved row can be settled'); END;
CREATE TRIGGER rows_never_change BEFORE UPDATE ON rows
BEGIN SELECT RAISE(ABORT, 'a row never changes'); END;
CREATE TRIGGER rows_never_go BEFORE DELETE ON rows
BEGIN SELECT RAISE(ABORT, 'a row never goes'); END;
COMMIT;

//! `keepstart-api import`: the same on the command line.

use std::fs;

use blackbox::{
    Backend, World, on_both,
    service::{NOW, in_folder, run},
};
use serde_json::json;

on_both!(the_command_brings_in_a_file);

fn the_command_brings_in_a_file(backend: Backend) {
    let mut world = World::new(backend);
    let town = world.town();
    // The embedded database belongs to one process.
    if backend == Backend::Sqlite {
        world.service.kill();
    }
    let folder = |name: &str| in_folder(&world.database, name);
    let write = |name: &str, text: &str| fs::write(folder(name), text).unwrap();
    write("sites.json", &json!({"records": "sites"}).to_string());
    write("sites.csv", "external_id:gis,name,zone\r\nA,North,UTC\r\nB,South,\r\nC,East,UTC\r\n");
    write("good.csv", "external_id:gis,name,zone\r\nA,North,UTC\r\nD,West,UTC\r\n");
    write("broken.json", "{\"records\": \"cars\"}");
    let organization = town.id.to_string();
    let person = |role: &str| town.people[role].to_string();
    let import = |who: &str, further: &[&str]| {
        let person = person(who);
        let mut arguments = vec!["import", "--organization", &organization, "--person", &person];
        arguments.extend(["--database-url", world.database.url(), "--clock", NOW]);
        arguments.extend(further);
        let output = run(&arguments);
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code(), text(&output.stdout), text(&output.stderr))
    };
    let (mapping, file, good) = (folder("sites.json"), folder("sites.csv"), folder("good.csv"));
    let before = world.database.log_rows();
    let (code, said, told) = import("coordinator", &["--mapping", &mapping, "--dry-run", &file]);
    assert_eq!(code, Some(1), "{said} {told}");
    assert!(
        said.contains("nothing was written") && said.contains("2 created") && said.contains("1 refused"),
        "{said}"
    );
    assert!(told.contains("line 3, zone: refused (required)"), "{told}");
    let (code, said, told) = import("coordinator", &["--mapping", &mapping, "--refuse-all", &file]);
    assert_eq!(code, Some(1), "{said} {told}");
    assert!(said.starts_with("refused: "), "{said}");
    assert_eq!(world.database.log_rows(), before);
    let report = folder("report.csv");
    let (code, said, told) = import("integrator", &["--mapping", &mapping, "--report", &report, &file]);
    assert_eq!(code, Some(1), "{said} {told}");
    assert!(said.contains("2 created"), "{said}");
    let report = fs::read_to_string(report).unwrap();
    assert!(
        report.starts_with("line,column,fate,code,detail,suggestion\r\n3,zone,refused,required,"),
        "{report}"
    );
    assert!(!told.contains("refused (required)") && told.contains("of 3 rows"), "{told}");
    let (code, said, _) = import("coordinator", &["--mapping", &mapping, &good]);
    assert_eq!((code, said.contains("1 created, 0 changed, 1 unchanged")), (Some(0), true), "{said}");
    // What cannot be brought in at all.
    for (who, further, told) in [
        ("technician", vec!["--mapping", &mapping, &good], "may not bring in files"),
        ("coordinator", vec!["--mapping", &good, &good], "is no mapping file"),
        ("coordinator", vec!["--mapping", &mapping, "nowhere.csv"], "cannot read nowhere.csv"),
    ] {
        let (code, _, complaint) = import(who, &further);
        assert_eq!(code, Some(2), "{complaint}");
        assert!(complaint.contains(told), "{complaint}");
    }
}

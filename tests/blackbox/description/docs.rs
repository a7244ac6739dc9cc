//! `/docs`: the page works from the service alone.

use blackbox::{Backend, Reply, World, on_both};

on_both!(the_page_loads_nothing_from_elsewhere, the_page_has_get_and_head_only);

fn the_page_loads_nothing_from_elsewhere(backend: Backend) {
    let world = World::new(backend);
    let client = world.service.anonymous();
    let page = client.get("/docs").expect(200);
    assert_eq!(page.header("content-type"), "text/html; charset=utf-8");
    assert!(page.text.contains("<title>Keepstart: the API</title>"), "{}", page.text);
    assert_eq!(
        page.text.matches("<script").count(),
        page.text.matches("<script src=").count(),
        "inline script"
    );
    assert_eq!(page.text.matches("<style").count(), 0, "inline style");
    keeps_to_itself(&page);
    let mut scripts = String::new();
    let named = named(&page.text);
    assert_eq!(named.len(), 4, "{named:?}");
    for file in named {
        if file == "data:," {
            continue;
        }
        assert!(!file.contains(':') && !file.starts_with('/'), "{file} leads elsewhere");
        // As the browser does from `/docs`.
        let reply = client.get(&format!("/{file}")).expect(200);
        keeps_to_itself(&reply);
        let kind =
            if file.ends_with(".css") { "text/css; charset=utf-8" } else { "text/javascript; charset=utf-8" };
        assert_eq!(reply.header("content-type"), kind, "{file}");
        assert!(reply.text.len() > 50, "{file} is empty");
        if file.ends_with(".css") {
            loads_pictures_within_only(&reply.text, &file);
        } else if reply.text.len() < 10_000 {
            scripts.push_str(&reply.text);
        }
    }
    // Our own script has the viewer read the service's own description, and ask nobody about it.
    assert!(scripts.contains("url: \"openapi.json\""), "{scripts}");
    assert!(scripts.contains("validatorUrl: null"), "{scripts}");
    assert!(!scripts.contains("://"), "{scripts}");
    client.get("/openapi.json").expect(200);
}

fn the_page_has_get_and_head_only(backend: Backend) {
    let world = World::new(backend);
    let client = world.service.anonymous();
    for path in ["/docs", "/docs/start.js"] {
        for method in ["POST", "PUT", "PATCH", "DELETE"] {
            let reply = client.send(method, path, &[], None);
            reply.problem(405, "method_not_allowed");
            assert_eq!(reply.header("allow"), "GET, HEAD", "{method} {path}");
        }
        let (got, head) = (client.get(path).expect(200), client.send("HEAD", path, &[], None).expect(200));
        for name in ["content-type", "content-length", "content-security-policy", "etag"] {
            assert_eq!(got.header(name), head.header(name), "{path}: {name}");
        }
        assert_eq!(head.text, "");
    }
    // Of the viewer's own files none but those that the page names is there.
    for name in
        ["page.html", "index.html", "swagger-initializer.js", "oauth2-redirect.html", "x.js", "../Cargo.toml"]
    {
        client.get(&format!("/docs/{name}")).problem(404, "not_found");
    }
    client.get("/docs/start.js?colour=red").problem(400, "invalid_parameter");
}

/// What the browser is told it may load: nothing of another host.
fn keeps_to_itself(reply: &Reply) {
    let policy = reply.header("content-security-policy");
    let mut directives = policy.split(';').map(|directive| directive.split_whitespace());
    let first: Vec<&str> = directives.next().unwrap().collect();
    assert_eq!(first, ["default-src", "'none'"], "{policy}");
    for mut directive in directives {
        let name = directive.next().unwrap();
        for source in directive {
            assert!(["'self'", "'none'", "data:"].contains(&source), "{name} {source}: {policy}");
        }
    }
    assert_eq!(reply.header("x-content-type-options"), "nosniff");
    assert!(!reply.etag().is_empty());
}

/// What the page has the browser load.
fn named(page: &str) -> Vec<String> {
    let mut found = Vec::new();
    for opening in [" src=\"", "<link rel=\"stylesheet\" href=\"", "<link rel=\"icon\" href=\""] {
        for (at, _) in page.match_indices(opening) {
            let rest = &page[at + opening.len()..];
            found.push(rest[..rest.find('"').unwrap()].to_owned());
        }
    }
    found
}

fn loads_pictures_within_only(css: &str, file: &str) {
    assert!(!css.contains("@import") && !css.contains("@font-face"), "{file} loads more");
    for (at, _) in css.match_indices("url(") {
        let target = css[at + 4..].trim_start_matches(['"', '\'']);
        assert!(target.starts_with("data:image/"), "{file}: {}", target.chars().take(60).collect::<String>());
    }
}

use std::{
    io::Write,
    net::{TcpListener, TcpStream},
    sync::atomic::{AtomicUsize, Ordering},
};

use super::*;

const SECRET: &str = "nobody-may-read-this";

/// A bucket of which the key is somebody's.
fn bucket(endpoint: &str) -> S3 {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("secret");
    fs::write(&file, format!("{SECRET}\nand what does not count\n")).unwrap();
    let place = BucketPlace {
        s3_endpoint: Some(endpoint.to_owned()),
        s3_bucket: Some("photos".to_owned()),
        s3_region: "tarn-valley-1".to_owned(),
        s3_key_id: Some("key".to_owned()),
        s3_secret_file: Some(file),
    };
    place.open().unwrap().unwrap()
}

/// Somebody who answers each request with the next of these, and counts them.
fn answering(answers: &'static [&'static str], asked: Arc<AtomicUsize>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let endpoint = format!("http://{}", listener.local_addr().unwrap());
    thread::spawn(move || {
        for answer in answers {
            let (mut stream, _) = listener.accept().unwrap();
            read_head(&mut stream);
            asked.fetch_add(1, Ordering::SeqCst);
            stream.write_all(answer.as_bytes()).unwrap();
        }
    });
    endpoint
}

fn read_head(stream: &mut TcpStream) {
    let (mut head, mut byte) = (Vec::new(), [0]);
    while !head.ends_with(b"\r\n\r\n") && stream.read(&mut byte).unwrap() > 0 {
        head.push(byte[0]);
    }
}

const BUSY: &str = "HTTP/1.1 503 Slow Down\r\ncontent-length: 36\r\nconnection: close\r\n\r\n<Error><Code>SlowDown</Code></Error>";
const PART: &str = "HTTP/1.1 206 Partial Content\r\ncontent-length: 3\r\nconnection: close\r\n\r\ncde";
const WHOLE: &str = "HTTP/1.1 200 OK\r\ncontent-length: 6\r\nconnection: close\r\n\r\nabcdef";
const BEHIND: &str = "HTTP/1.1 416 Range\r\ncontent-length: 0\r\nconnection: close\r\n\r\n";
const NO_OBJECT: &str = "HTTP/1.1 404 Not Found\r\ncontent-length: 37\r\nconnection: close\r\n\r\n<Error><Code>NoSuchKey</Code></Error>";
const NO_BUCKET: &str = "HTTP/1.1 404 Not Found\r\ncontent-length: 40\r\nconnection: close\r\n\r\n<Error><Code>NoSuchBucket</Code></Error>";
const NO_KEY: &str = "HTTP/1.1 403 Forbidden\r\ncontent-length: 40\r\nconnection: close\r\n\r\n<Error><Code>AccessDenied</Code></Error>";

#[test]
fn what_comes_of_an_answer() {
    let read = |answers| {
        let asked = Arc::<AtomicUsize>::default();
        let found = bucket(&answering(answers, Arc::clone(&asked))).read("of/one", "whole", 2, 3);
        (found.map_err(|error| error.to_string()), asked.load(Ordering::SeqCst))
    };
    let there = |bytes: &[u8]| Ok(bytes.to_vec());
    let none = Err(io::Error::from(io::ErrorKind::NotFound).to_string());
    let cases: [(&[&str], _, _); 8] = [
        (&[PART], there(b"cde"), 1),
        (&[WHOLE], there(b"cde"), 1),
        (&[BEHIND], there(b""), 1),
        (&[BUSY, BUSY, PART], there(b"cde"), 3),
        (&[BUSY, BUSY, BUSY, PART], Err("the bucket answers 503 SlowDown".to_owned()), 3),
        (&[NO_OBJECT, PART], none, 1),
        (&[NO_BUCKET, PART], Err("there is no such bucket (--s3-bucket)".to_owned()), 1),
        (
            &[NO_KEY, PART],
            Err("the bucket does not take the key (--s3-key-id, --s3-secret-file): AccessDenied".to_owned()),
            1,
        ),
    ];
    for (answers, expected, asked) in cases {
        assert_eq!(read(answers), (expected, asked), "{answers:?}");
    }
}

#[test]
fn nothing_that_is_told_opens_the_bucket() {
    let nobody = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let bucket = bucket(&format!("http://{nobody}"));
    let error = bucket.put("of/one", "whole", b"abc").unwrap_err();
    assert!(error.get_ref().unwrap().is::<Away>());
    let told = format!("{error} {error:?} {bucket:?}");
    assert!(told.starts_with("the bucket cannot be reached: "), "{told}");
    for secret in [SECRET, "Signature", "X-Amz"] {
        assert!(!told.contains(secret), "{told}");
    }
}

use super::*;

fn place(n: u128) -> Place {
    let organization = OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap();
    Place { organization, sha256: BlobHash::from_bytes([7; 32]), id: Uuid::from_u128(n) }
}

fn played(test: impl AsyncFnOnce(Blobs, PathBuf)) {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("blobs");
    let blobs = BlobPlace { blobs: Some(root.clone()), ..BlobPlace::default() };
    let blobs = blobs.open(&Address::Sqlite("x.db".to_owned())).unwrap();
    tokio::runtime::Builder::new_multi_thread().build().unwrap().block_on(test(blobs, root));
}

#[test]
fn pieces_become_a_whole() {
    played(async |blobs, _| {
        assert_eq!(blobs.pieces(place(1)).await.unwrap(), []);
        blobs.keep_piece(place(1), 3, b"def".to_vec()).await.unwrap();
        // Whoever is late takes nothing away.
        blobs.keep_piece(place(1), 0, b"abc".to_vec()).await.unwrap();
        blobs.keep_piece(place(1), 0, b"ab".to_vec()).await.unwrap();
        let pieces = blobs.pieces(place(1)).await.unwrap();
        let piece = |first, bytes| Piece { first, bytes };
        assert_eq!(pieces, [piece(0, 2), piece(0, 3), piece(3, 3)]);
        assert_eq!(blobs.piece(place(1), pieces[1]).await.unwrap(), b"abc");
        assert_eq!(blobs.piece(place(1), pieces[2]).await.unwrap(), b"def");
        blobs.keep(place(1), b"abcdef".to_vec()).await.unwrap();
        assert_eq!(blobs.pieces(place(1)).await.unwrap(), pieces);
        blobs.drop_pieces(place(1)).await.unwrap();
        assert_eq!(blobs.pieces(place(1)).await.unwrap(), []);
        assert_eq!(blobs.read(place(1), 2, 3).await.unwrap(), b"cde");
        assert_eq!(blobs.read(place(1), 4, 100).await.unwrap(), b"ef");
    });
}

#[test]
fn a_place_is_dropped_by_itself() {
    played(async |blobs, root| {
        blobs.keep(place(1), b"one".to_vec()).await.unwrap();
        blobs.keep(place(2), b"two".to_vec()).await.unwrap();
        blobs.drop_all(place(1)).await.unwrap();
        blobs.drop_all(place(1)).await.unwrap();
        assert_eq!(blobs.read(place(2), 0, 9).await.unwrap(), b"two");
        assert!(blobs.read(place(1), 0, 9).await.is_err());
        blobs.drop_all(place(2)).await.unwrap();
        assert_eq!(std::fs::read_dir(root).unwrap().count(), 0, "no empty folder is left");
    });
}

#[test]
fn what_lies_there_is_found() {
    played(async |blobs, root| {
        let organization = place(1).organization;
        assert!(!blobs.has_any(organization).await.unwrap());
        assert_eq!(blobs.lying(organization, 7).await.unwrap(), []);
        blobs.keep_piece(place(1), 0, b"abc".to_vec()).await.unwrap();
        blobs.keep(place(2), b"whole".to_vec()).await.unwrap();
        let at = |name: &str, seconds: u64| {
            let file = std::fs::File::create(root.join(name)).unwrap();
            file.set_modified(std::time::UNIX_EPOCH + std::time::Duration::from_secs(seconds)).unwrap();
        };
        // The last of a place counts, be it unfinished; what is called otherwise is passed over.
        at(&format!("{}/000000000000-3", place(1).folder()), 100);
        at(&format!("{}/.unfinished", place(1).folder()), 200);
        at(&format!("{}/whole", place(2).folder()), 100);
        at(&format!("{organization}/07/notes"), 100);
        std::fs::create_dir(root.join(format!("{organization}/07/lost+found"))).unwrap();
        at(&format!("{organization}/07/lost+found/whole"), 100);
        let lying = |n: u128, seconds: i64| Lying {
            place: place(n),
            last_at: Instant::from_micros(seconds * 1_000_000),
        };
        assert_eq!(blobs.lying(organization, 7).await.unwrap(), [lying(1, 200), lying(2, 100)]);
        assert_eq!(blobs.lying(organization, 8).await.unwrap(), []);
        assert!(blobs.has_any(organization).await.unwrap());
    });
}

#[test]
fn the_folder_lies_beside_the_database() {
    let place = |database: &str| {
        let blobs = BlobPlace::default().open(&database.parse().unwrap()).unwrap();
        format!("{:?}", blobs.shelf)
    };
    assert!(place("sqlite:/srv/keepstart.db").contains("/srv/keepstart-blobs"));
    assert!(place("postgres://host/name").contains("\"keepstart-blobs\""));
}

use super::*;
use crate::page::auth::one_time_code;

const PIN: &str = "246971";
const PASSWORD: &str = "nine long innings";

fn typed<'a>(name: &'a str, key: &'a str) -> Typed<'a> {
    Typed { name, key }
}

#[test]
fn a_file_that_cannot_be_read_is_not_taken_for_none() {
    let dir = tempfile::tempdir().unwrap();
    let path = Credentials::file_beside(&dir.path().join("journal.db"));
    assert_eq!(Credentials::read(&path).unwrap(), Credentials::default());
    fs::create_dir(&path).unwrap();
    let refused = Credentials::read(&path);
    assert!(matches!(refused, Err(CredentialError::File { .. })));
    assert_eq!(Principal::Screen.to_string(), "screen");
    assert_eq!(Principal::Coach("Ana".into()).to_string(), "coach Ana");
}

#[test]
fn credentials_are_kept_as_hashes_and_open_their_own_pages_only() {
    let dir = tempfile::tempdir().unwrap();
    let path = Credentials::file_beside(&dir.path().join("journal.db"));
    let mut keys = Credentials::read(&path).unwrap();
    assert!(!keys.has_coach() && keys.verify(typed("", "")).is_none());
    keys.set_pin(Some(PIN)).unwrap();
    keys.set_password(SHARED_ACCOUNT, Some(PASSWORD)).unwrap();
    keys.set_password("María", Some("seven short stops"))
        .unwrap();
    keys.write(&path).unwrap();
    let text = fs::read_to_string(&path).unwrap();
    assert!(!text.contains(PIN) && !text.contains("innings"));
    assert!(text.matches("$argon2id$v=19$m=19456,t=2,p=1$").count() == 3);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    let keys = Credentials::read(&path).unwrap();
    let maria = Principal::Coach("María".into());
    let shared = Principal::Coach(SHARED_ACCOUNT.into());
    for (name, key, who) in [
        ("", PIN, Some(Principal::Screen)),
        ("", "246972", None),
        ("María", PIN, None),
        ("", PASSWORD, Some(shared.clone())),
        ("Coach", PASSWORD, Some(shared)),
        ("María", PASSWORD, None),
        (" maría ", "seven short stops", Some(maria.clone())),
        ("", "seven short stops", None),
        ("Nobody", "no key is set", None),
    ] {
        assert_eq!(keys.verify(typed(name, key)), who, "{name} {key}");
    }
    let mut changed = keys.clone();
    changed
        .set_password("maría", Some("seven short stops"))
        .unwrap();
    assert_eq!(
        changed.coaches().count(),
        2,
        "no account of a second spelling"
    );
    assert_ne!(
        changed.proof(&maria),
        keys.proof(&maria),
        "the same key, set again"
    );
}

#[test]
fn weak_credentials_and_broken_files_open_nothing() {
    let mut keys = Credentials::default();
    assert!(keys.set_pin(Some("1234")).is_err() && !keys.has_pin());
    assert!(keys.set_password("coach", Some("too short")).is_err());
    keys.set_pin(Some(PIN)).unwrap();
    let holds_pin = keys.set_password("coach", Some("my PIN is 246971 ok"));
    assert!(matches!(
        holds_pin,
        Err(CredentialError::Weak(Weakness::PasswordTelling))
    ));
    assert!(matches!(
        keys.set_password("a\nb", Some(PASSWORD)),
        Err(CredentialError::Name)
    ));
    assert!(matches!(
        keys.set_code("Ben", None),
        Err(CredentialError::NoAccount(_))
    ));
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(FILE);
    fs::write(&path, "pin = 3").unwrap();
    assert!(Credentials::read(&path).is_err());
    keys.set_password("Kim", Some(PASSWORD)).unwrap();
    keys.set_code("Kim", one_time_code::new_secret()).unwrap();
    keys.write(&path).unwrap();
    let whole = fs::read_to_string(&path).unwrap();
    assert_eq!(Credentials::parse(&whole).unwrap(), keys);
    for (from, to) in [
        ("pin = \"$argon2id", "pin = \"$argon"),
        ("password = \"$argon2id", "password = \"$argon"),
        ("m=19456", "m=4294967295"),
        ("secret = \"", "secret = \"x"),
        ("code = \"", "code = \"1"),
        ("[coaches.Kim]", "[coaches.\" Kim\"]"),
        ("[coaches.Kim]", "[coaches.\"Kim\\n\"]"),
        ("[coaches.Kim]", "[coaches.\"\"]"),
    ] {
        assert!(whole.contains(from), "{from}");
        fs::write(&path, whole.replacen(from, to, 1)).unwrap();
        let read = Credentials::read(&path);
        assert!(matches!(read, Err(CredentialError::Content { .. })), "{to}");
    }
}

#[test]
fn a_file_of_an_older_version_keeps_its_keys() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(FILE);
    let [pin, password] = ["2468", "ten letters"].map(|key| hash(key).unwrap());
    let old = format!("pin = {pin:?}\npassword = {password:?}\n");
    fs::write(&path, old).unwrap();
    let mut keys = Credentials::read(&path).unwrap();
    let shared = Principal::Coach(SHARED_ACCOUNT.into());
    assert_eq!(keys.verify(typed("", "ten letters")), Some(shared.clone()));
    assert_eq!(keys.verify(typed("", "2468")), Some(Principal::Screen));
    assert!(is_outdated(&Principal::Screen, "2468") && is_outdated(&shared, "ten letters"));
    assert!(!is_outdated(&Principal::Screen, PIN) && !is_outdated(&shared, PASSWORD));
    keys.write(&path).unwrap();
    assert_eq!(Credentials::read(&path).unwrap(), keys);
}

//! Checks the section about the facility: where its store is, and what this cage is called there.

use toml::Spanned;

use super::super::file::Facility;
use super::non_empty;
use crate::facility::{FacilitySettings, StoreAddress};
use crate::toml_checked::{Checked, refuse};

/// The longest name of a cage, characters.
const LONGEST_NAME: usize = 40;

pub(super) fn facility(given: Facility) -> Checked<Option<FacilitySettings>> {
    let Some(store) = given
        .store
        .filter(|store| !store.get_ref().trim().is_empty())
    else {
        return Ok(None);
    };
    let password_file = non_empty(given.password_file).map(Into::into);
    let authority = non_empty(given.authority).map(Into::into);
    let address = match StoreAddress::new(store.get_ref().trim(), password_file, authority) {
        Ok(address) => address,
        Err(why) => return refuse(&store, format!("store is no address of a store: {why}")),
    };
    Ok(Some(FacilitySettings {
        address,
        cage: cage(given.cage, &store)?,
        films: given.films.unwrap_or_default(),
        live: given.live.unwrap_or(true),
    }))
}

fn cage(given: Option<Spanned<String>>, store: &Spanned<String>) -> Checked<String> {
    let Some(given) = given.filter(|cage| !cage.get_ref().trim().is_empty()) else {
        return refuse(
            store,
            "a store is named and no cage; cage must say what this cage is called".to_owned(),
        );
    };
    let name = given.get_ref().trim();
    if name.chars().count() > LONGEST_NAME || name.chars().any(char::is_control) {
        return refuse(
            &given,
            format!("cage is longer than {LONGEST_NAME} characters, or not on one line"),
        );
    }
    Ok(name.to_owned())
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::settings::Settings;

    fn settings(text: &str) -> Result<Settings, String> {
        Settings::parse(text, Path::new("s.toml")).map_err(|error| error.to_string())
    }

    #[test]
    fn a_cage_is_by_itself_unless_a_store_and_its_own_name_are_given() {
        assert_eq!(settings("").unwrap().facility, None);
        let alone = settings("[facility]\ncage = \"Cage 2\"").unwrap();
        assert_eq!(alone.facility, None);
        let store = "[facility]\nstore = \"postgres://cage2@office/cagehand\"";
        assert!(settings(store).unwrap_err().contains("no cage"));
        let both = settings(&format!("{store}\ncage = \" Cage 2 \"")).unwrap();
        let facility = both.facility.unwrap();
        assert_eq!((&*facility.cage, facility.films), ("Cage 2", false));
        assert!(facility.live);
        assert_eq!(facility.address.url(), "postgres://cage2@office/cagehand");
        let secret = "[facility]\nstore = \"postgres://a:b@office/c\"\ncage = \"2\"";
        let refused = settings(secret).unwrap_err();
        assert!(refused.contains("no password"), "{refused}");
    }
}

//! The page in a real browser: the hitter in the cage.

use super::browser::{Browser, Served, block_on};
use super::program::{Place, recording};

#[test]
fn the_cage_screen_shows_each_rep_as_it_ends_and_a_hitter_steps_in_with_two_taps() {
    block_on(async {
        let place = Place::new();
        let served = Served::start(&place, &recording("left_60fps_faults"), "", &[]);
        let browser = Browser::start(1920, 1080).await;
        browser.open(&served.address).await;
        assert!(
            browser.barriers().await.is_empty(),
            "{:?}",
            browser.barriers().await
        );
        browser
            .until(
                "a figure",
                "return document.querySelectorAll('#figure line').length > 8",
            )
            .await;
        // How late the screen is: a rep's log line is on disk before the page hears of it, so the page's own clock and
        // this one are the same machine's.
        browser
            .until(
                "a rep",
                "return document.getElementById('screen').dataset.painted ?? ''",
            )
            .await;
        browser.picture("cage").await;
        let word = browser.text("#word").await;
        assert!(!word.is_empty() && word != "No swing yet");
        assert_eq!(browser.text("#swings").await, "1");
        assert_eq!(
            browser
                .ask("return document.querySelectorAll('#trail li').length")
                .await,
            1
        );

        // Tap one: who hits. Somebody new types a name once; after that it is two taps.
        browser.click("#who").await;
        browser
            .find("input[name=name]")
            .await
            .send_keys("Kit")
            .await
            .unwrap();
        browser.picture("hitters").await;
        assert!(
            browser.barriers().await.is_empty(),
            "{:?}",
            browser.barriers().await
        );
        browser.click(".new-hitter button").await;
        browser
            .until(
                "Kit",
                "return document.getElementById('who')?.textContent === 'Kit'",
            )
            .await;
        assert_eq!(browser.text("#swings").await, "0", "a session of their own");
        browser.click("#who").await;
        browser.click(".names button[value=Kit]").await;
        browser.find("#screen").await;
        browser.close().await;
    });
}

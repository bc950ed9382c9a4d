//! Forms and their tokens.

use super::*;

#[test]
fn a_page_gives_a_cookie_once_and_its_form_fits_that_cookie_alone() {
    let doors = Doors::locked();
    let mut browser = Browser::at(ELSEWHERE);
    let page = doors.get(&browser, "/door");
    let cookies = page.cookies();
    assert_eq!(cookies.len(), 1);
    assert_eq!(cookies[0].name(), "__Host-visit");
    assert!(cookies[0].secure() == Some(true) && cookies[0].http_only() == Some(true));
    browser.keep(&page);
    assert!(doors.get(&browser, "/door").cookies().is_empty());
    // A stream gives none, and neither does a form.
    assert!(
        doors
            .get(&Browser::at(ELSEWHERE), LIVE_PATH)
            .cookies()
            .is_empty()
    );
    let stranger = doors.post(&Browser::at(ELSEWHERE), "/door", "key=x&token=");
    assert_eq!(stranger.status, StatusCode::FORBIDDEN);
    assert!(stranger.cookies().is_empty());
    assert!(
        stranger.text.contains("open the page first"),
        "{}",
        stranger.text
    );

    let token = page.form_token();
    assert_eq!(token.len(), 64);
    let key = url_encoded(PASSWORD);
    for (form, answered) in [
        (format!("token={token}0&key={key}"), StatusCode::FORBIDDEN),
        (format!("key={key}"), StatusCode::FORBIDDEN),
        (format!("token=&key={key}"), StatusCode::FORBIDDEN),
        (format!("token={token}"), StatusCode::UNPROCESSABLE_ENTITY),
        (
            format!("token={token}&key={}", "x".repeat(40_000)),
            StatusCode::PAYLOAD_TOO_LARGE,
        ),
    ] {
        let answer = doors.post(&browser, "/door", &form);
        assert_eq!(answer.status, answered, "{:.80}: {}", form, answer.text);
    }
    // Another cookie has another token; one that we never gave out opens no form, and one of another shape has none.
    let mut other = browser.clone();
    other.cookies[0].1 = "0".repeat(64);
    let form = format!("token={token}&key={key}");
    assert_eq!(
        doors.post(&other, "/door", &form).status,
        StatusCode::FORBIDDEN
    );
    // Of another length, of other letters.
    for odd in ["x".repeat(64), "0".repeat(63)] {
        other.cookies[0].1 = odd;
        let answer = doors.post(&other, "/door", "token=&key=x");
        assert!(
            answer.text.contains("open the page first"),
            "{}",
            answer.text
        );
    }
    other.cookies[0].1 = "x".repeat(64);
    assert_eq!(
        doors.post(&other, "/door", "token=&key=x").status,
        StatusCode::FORBIDDEN
    );
    other.cookies = vec![("visit".to_owned(), browser.cookies[0].1.clone())];
    let named_otherwise = doors.post(&other, "/door", &form);
    assert_eq!(named_otherwise.status, StatusCode::FORBIDDEN);

    // As another kind of content a form could come from anywhere without being asked about.
    for kind in ["text/plain", "application/json", "multipart/form-data"] {
        let request = Request::post("/door").header(CONTENT_TYPE, kind);
        let answer = doors.send(&browser, request.body(Body::from(form.clone())).unwrap());
        assert_eq!(answer.status, StatusCode::UNSUPPORTED_MEDIA_TYPE, "{kind}");
    }
    // Of several fields of a name, the first counts: what is appended to a link changes nothing.
    let appended = doors.post(&browser, "/door", &format!("token=no&{form}"));
    assert_eq!(appended.status, StatusCode::FORBIDDEN);
    let request = Request::post("/door").header(
        CONTENT_TYPE,
        "Application/X-WWW-Form-Urlencoded; charset=utf-8",
    );
    let right = doors.send(&browser, request.body(Body::from(form)).unwrap());
    assert_eq!(right.status, StatusCode::SEE_OTHER, "{}", right.text);
}

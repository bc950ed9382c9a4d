//! A real browser without a window, driven through the WebDriver protocol.
//!
//! Debian's Chromium and its driver, installed by `make test`. Everything waits for what it needs and nothing sleeps for
//! luck. Where the variable CAGEHAND_SCREENSHOTS names a folder, screenshots are kept there to be looked at.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fantoccini::elements::Element;
use fantoccini::{Client, ClientBuilder, Locator};
use serde_json::{Value, json};

use super::program::{PATIENCE, Place, free_port, project};

/// The driver's process; it takes the browser with it.
struct Driver(Child);

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A browser window.
pub(crate) struct Browser {
    pub client: Client,
    driver_port: u16,
    _profile: tempfile::TempDir,
    _driver: Driver,
}

impl Browser {
    pub(crate) async fn start(width: u32, height: u32) -> Self {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("install Debian's packages chromium and chromium-driver, as `make test` does");
        let out = driver.stdout.take().unwrap();
        let driver = Driver(driver);
        let mut lines = BufReader::new(out).lines();
        let port: u16 = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|line| {
                let (_, after) = line.split_once("started successfully on port ")?;
                after.trim_end_matches('.').parse().ok()
            })
            .expect("the driver says its port");
        // What it says later must have somewhere to go.
        cagehand::thread::spawn("driver-says", move || for _ in lines {}).unwrap();
        let profile = tempfile::TempDir::new().unwrap();
        let arguments = [
            "--headless=new".to_owned(),
            "--no-sandbox".to_owned(),
            "--disable-dev-shm-usage".to_owned(),
            "--disable-gpu".to_owned(),
            "--no-first-run".to_owned(),
            "--disable-background-networking".to_owned(),
            "--disable-component-update".to_owned(),
            "--disable-sync".to_owned(),
            // A microphone that beeps, which nobody has to be asked for.
            "--use-fake-device-for-media-stream".to_owned(),
            "--use-fake-ui-for-media-stream".to_owned(),
            "--lang=en".to_owned(),
            format!("--window-size={width},{height}"),
            format!("--user-data-dir={}", profile.path().display()),
        ];
        let capabilities = json!({
            "browserName": "chrome",
            "goog:chromeOptions": { "args": arguments },
        });
        let client = ClientBuilder::new(hyper_util_connector())
            .capabilities(capabilities.as_object().unwrap().clone())
            .connect(&format!("http://127.0.0.1:{port}"))
            .await
            .unwrap();
        Self {
            client,
            driver_port: port,
            _profile: profile,
            _driver: driver,
        }
    }

    pub(crate) async fn open(&self, address: &str) {
        self.client.goto(address).await.unwrap();
    }

    /// The element, once it is there.
    pub(crate) async fn find(&self, css: &str) -> Element {
        self.client
            .wait()
            .at_most(PATIENCE)
            .for_element(Locator::Css(css))
            .await
            .unwrap_or_else(|error| panic!("{css}: {error}"))
    }

    pub(crate) async fn click(&self, css: &str) {
        self.find(css).await.click().await.unwrap();
    }

    pub(crate) async fn text(&self, css: &str) -> String {
        self.find(css).await.text().await.unwrap()
    }

    /// What a script of the page's own world returns.
    pub(crate) async fn ask(&self, script: &str) -> Value {
        self.client.execute(script, vec![]).await.unwrap()
    }

    /// Waits until a script returns what counts as true.
    pub(crate) async fn until(&self, what: &str, script: &str) -> Value {
        let begun = Instant::now();
        loop {
            let found = self.ask(script).await;
            if !matches!(&found, Value::Null | Value::Bool(false)) && found != json!("") {
                return found;
            }
            if begun.elapsed() > PATIENCE {
                let page = self
                    .ask("return document.body.innerText.slice(0, 800)")
                    .await;
                panic!("waited too long for {what}; the page shows {page}");
            }
            tokio::time::sleep(Duration::from_millis(30)).await;
        }
    }

    /// Keeps a picture of the page where somebody wants to look at it.
    pub(crate) async fn picture(&self, name: &str) {
        if let Some(folder) = std::env::var_os("CAGEHAND_SCREENSHOTS") {
            let png = self.client.screenshot().await.unwrap();
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(PathBuf::from(folder).join(format!("{name}.png")), png).unwrap();
        }
    }

    /// What breaks the WCAG 2.2 rules of levels A and AA on this page, by axe-core: one line each.
    pub(crate) async fn barriers(&self) -> Vec<String> {
        let axe = std::fs::read_to_string(project("tests/data/axe/axe.min.js")).unwrap();
        self.client.execute(&axe, vec![]).await.unwrap();
        let found = self
            .client
            .execute_async(
                "const done = arguments[arguments.length - 1];
                 axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] })
                   .then((r) => done({ passes: r.passes.length,
                     broken: r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.target.join(' ') + ' ' + (n.any[0]?.message ?? '')).join(' | ')) }),
                     (e) => done({ passes: 0, broken: [String(e)] }));",
                vec![],
            )
            .await
            .unwrap();
        assert!(
            found["passes"].as_u64().unwrap() > 5,
            "axe looked at the page: {found}"
        );
        found["broken"]
            .as_array()
            .unwrap()
            .iter()
            .map(|line| line.as_str().unwrap().to_owned())
            .collect()
    }

    /// What the browser hands to a screen reader: role and name of each node, in reading order.
    pub(crate) async fn spoken(&self) -> Vec<(String, String)> {
        let session = self.client.session_id().await.unwrap().unwrap();
        let address = format!(
            "http://127.0.0.1:{}/session/{session}/goog/cdp/execute",
            self.driver_port
        );
        let answer = tokio::task::spawn_blocking(move || {
            ureq::post(&address)
                .content_type("application/json")
                .send(r#"{"cmd":"Accessibility.getFullAXTree","params":{}}"#)
                .unwrap()
                .body_mut()
                .read_to_string()
                .unwrap()
        })
        .await
        .unwrap();
        let answer: Value = serde_json::from_str(&answer).unwrap();
        answer["value"]["nodes"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|node| node["ignored"] == json!(false))
            .map(|node| {
                let text = |key: &str| node[key]["value"].as_str().unwrap_or_default().to_owned();
                (text("role"), text("name"))
            })
            .collect()
    }

    pub(crate) async fn close(self) {
        self.client.clone().close().await.unwrap();
    }
}

fn hyper_util_connector() -> hyper_util::client::legacy::connect::HttpConnector {
    hyper_util::client::legacy::connect::HttpConnector::new()
}

/// The machine's own screen is the coach's as long as no key is set, and whoever asks from [`PROXY`] passes others on.
const OPEN: &str = "trial = true\nbehind_proxy = [\"127.0.0.2\"]\n";
/// Where a proxy's requests come from.
pub(crate) const PROXY: &str = "127.0.0.2";

/// A daemon with a page, stopped with the test.
pub(crate) struct Served {
    child: Child,
    pub address: String,
}

impl Served {
    /// Runs `watch` on a recording with the lite model and these settings and arguments besides. Settings may begin with more
    /// keys of `[page]`.
    pub(crate) fn start(place: &Place, clip: &str, settings: &str, more: &[&str]) -> Self {
        Self::start_heard(place, clip, "none", settings, more)
    }

    /// The same for a test of the page alone: nobody is in the picture, so that whoever steps in waits for no swing to end, and
    /// the machine has time for the page.
    pub(crate) fn start_page(place: &Place, settings: &str) -> Self {
        let pattern = project("tests/data/clips/h264_b_frames.mp4");
        let slowly = ["--loops", "2000", "--pace", "0.2"];
        Self::start(place, pattern.to_str().unwrap(), settings, &slowly)
    }

    /// The same, heard in a file.
    pub(crate) fn start_heard(
        place: &Place,
        clip: &str,
        sound: &str,
        settings: &str,
        more: &[&str],
    ) -> Self {
        let port = free_port();
        let address = format!("127.0.0.1:{port}");
        std::fs::write(
            place.path("page.toml"),
            format!("[pose]\nmodel = \"lite\"\n[page]\nlisten = \"{address}\"\n{OPEN}{settings}"),
        )
        .unwrap();
        let mut arguments = vec![
            "watch",
            "--stand-in",
            clip,
            "--sound",
            sound,
            "--settings",
            "page.toml",
            "--journal",
            "page.db",
        ];
        arguments.extend(more);
        let child = place
            .command(&arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let served = Self {
            child,
            address: format!("http://{address}"),
        };
        let begun = Instant::now();
        while std::net::TcpStream::connect(&address).is_err() {
            assert!(begun.elapsed() < PATIENCE, "no page");
            std::thread::sleep(Duration::from_millis(50));
        }
        served
    }
}

impl Served {
    /// The process.
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }

    /// Has it end as a service does, with everything written.
    #[cfg(unix)]
    pub(crate) fn end(mut self) {
        let ended = Command::new("kill")
            .arg(self.child.id().to_string())
            .status();
        assert!(ended.unwrap().success());
        assert!(self.child.wait().unwrap().success());
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Runs what waits for a browser.
pub(crate) fn block_on(work: impl Future<Output = ()>) {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
        .block_on(work);
}

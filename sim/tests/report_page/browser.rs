//! Headless Chromium over its debugging pipe: commands, answers and events are JSON, each ended by a zero byte.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::{Value, json};

/// Longer than anything here takes on a busy machine; then the test fails instead of hanging.
const PATIENCE: Duration = Duration::from_secs(600);

/// Px of the view, as on a small screen.
const VIEW_HEIGHT: u32 = 900;

/// Chromium reads commands from descriptor 3 and answers on 4: the pipes that a child process gets are moved there.
const MOVE_PIPES: &str = r#"exec "$0" "$@" 3<&0 4>&1 </dev/null >/dev/null 2>&1"#;

/// Nothing but the page: no first-run work, no services that look for the network.
const SWITCHES: [&str; 11] = [
    "--headless",
    // Chromium's own sandbox refuses to run as root, as containers do.
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-breakpad",
    "--no-first-run",
    "--force-device-scale-factor=1",
    "--remote-debugging-pipe",
];

/// A browser with one page.
pub struct Browser {
    child: Child,
    commands: ChildStdin,
    messages: Receiver<Value>,
    session: Value,
    last_id: u64,
    events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts Chromium with an empty page.
    pub fn start(program: &Path) -> Self {
        let profile = tempfile::tempdir().unwrap();
        let mut child = Command::new("sh")
            .args(["-c", MOVE_PIPES])
            .arg(program)
            .args(SWITCHES)
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let commands = child.stdin.take().unwrap();
        let mut answers = BufReader::new(child.stdout.take().unwrap());
        let (sender, messages) = channel();
        std::thread::spawn(move || {
            let mut message = Vec::new();
            while answers.read_until(0, &mut message).is_ok_and(|length| length > 1) {
                message.pop();
                if sender.send(serde_json::from_slice(&message).unwrap()).is_err() {
                    return;
                }
                message.clear();
            }
        });
        let mut browser =
            Self { child, commands, messages, session: Value::Null, last_id: 0, events: Vec::new(), _profile: profile };
        let target = browser.call("Target.createTarget", json!({ "url": "about:blank" }));
        let attached =
            browser.call("Target.attachToTarget", json!({ "targetId": target["targetId"], "flatten": true }));
        browser.session = attached["sessionId"].clone();
        for domain in ["Page", "Network", "Log", "Runtime"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser.view(&json!(VIEW_HEIGHT));
        browser
    }

    /// Sends a command and waits for its answer; events that come before it are kept.
    pub fn call(&mut self, method: &str, parameters: Value) -> Value {
        self.last_id += 1;
        let mut command = json!({ "id": self.last_id, "method": method, "params": parameters });
        if self.session.is_string() {
            command["sessionId"] = self.session.clone();
        }
        self.commands.write_all(format!("{command}\0").as_bytes()).unwrap();
        loop {
            let mut message = self.next_message(method);
            if message["id"] == self.last_id {
                assert!(message["error"].is_null(), "{method}: {}", message["error"]);
                return message["result"].take();
            }
            self.events.push(message);
        }
    }

    /// Loads a page and waits until it is there.
    pub fn open(&mut self, page: &Path) {
        let before = self.events_of("Page.loadEventFired").len();
        self.call("Page.navigate", json!({ "url": format!("file://{}", page.display()) }));
        while self.events_of("Page.loadEventFired").len() == before {
            let message = self.next_message("Page.navigate");
            self.events.push(message);
        }
    }

    /// The value of an expression in the page.
    pub fn value(&mut self, expression: &str) -> Value {
        let answer = self
            .call("Runtime.evaluate", json!({ "expression": expression, "returnByValue": true, "awaitPromise": true }));
        assert!(answer["exceptionDetails"].is_null(), "{expression}: {answer}");
        answer["result"]["value"].clone()
    }

    /// The text of an element.
    pub fn text(&mut self, id: &str) -> String {
        self.value(&format!("document.getElementById('{id}').textContent")).as_str().unwrap().to_owned()
    }

    /// The number that an element shows, with the page's own minus sign.
    pub fn number(&mut self, id: &str) -> f64 {
        let text = self.text(id);
        text.replace('\u{2212}', "-").parse().unwrap_or_else(|_| panic!("{id} shows {text:?}"))
    }

    /// Moves the pointer, or presses and releases its button, in px of the view.
    pub fn pointer(&mut self, x: f64, y: f64, click: bool) {
        let kinds: &[&str] = if click { &["mouseMoved", "mousePressed", "mouseReleased"] } else { &["mouseMoved"] };
        for kind in kinds {
            let button = if *kind == "mouseMoved" { "none" } else { "left" };
            self.call(
                "Input.dispatchMouseEvent",
                json!({ "type": kind, "x": x, "y": y, "button": button, "clickCount": 1 }),
            );
        }
    }

    /// Presses and releases a key.
    pub fn key(&mut self, key: &str, code: u32) {
        for kind in ["keyDown", "keyUp"] {
            let mut event = json!({ "type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code });
            // A form is sent by the character, not by the key.
            if key == "Enter" && kind == "keyDown" {
                event["text"] = "\r".into();
            }
            self.call("Input.dispatchKeyEvent", event);
        }
    }

    /// Types text where the focus is.
    pub fn type_text(&mut self, text: &str) {
        self.call("Input.insertText", json!({ "text": text }));
    }

    /// Keeps a picture of the whole page.
    pub fn screenshot(&mut self, path: &Path) {
        let height = self.value("document.documentElement.scrollHeight");
        self.view(&height);
        // Two frames: one that draws the taller view, one that shows it.
        self.value("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))");
        let picture = self.call("Page.captureScreenshot", json!({}));
        self.view(&json!(VIEW_HEIGHT));
        keep(path, &picture);
    }

    fn view(&mut self, height: &Value) {
        let size = json!({ "width": 1280, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.call("Emulation.setDeviceMetricsOverride", size);
    }

    /// Keeps the page as it would be printed.
    pub fn print(&mut self, path: &Path) {
        let document = self.call("Page.printToPDF", json!({ "preferCSSPageSize": true, "printBackground": false }));
        keep(path, &document);
    }

    /// What was seen so far of one kind of event.
    pub fn events_of(&self, method: &str) -> Vec<&Value> {
        self.events.iter().filter(|event| event["method"] == method).map(|event| &event["params"]).collect()
    }

    fn next_message(&self, waiting_for: &str) -> Value {
        self.messages.recv_timeout(PATIENCE).unwrap_or_else(|error| panic!("{waiting_for}: Chromium: {error}"))
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // The page goes with the browser.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Writes what an answer holds as a file.
pub fn keep(path: &Path, answer: &Value) {
    std::fs::write(path, BASE64_STANDARD.decode(answer["data"].as_str().unwrap()).unwrap()).unwrap();
}

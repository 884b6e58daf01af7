//! The whole terminal for a while: raw keys, a screen of its own, and everything as before afterwards.

use std::io::{self, IsTerminal, Write};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crossterm::cursor::{Hide, MoveTo, Show};
use crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use crossterm::style::Print;
use crossterm::terminal::{
    Clear, ClearType, DisableLineWrap, EnableLineWrap, EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode,
    enable_raw_mode, size,
};
use crossterm::{execute, queue};

use super::state::Key;

/// Whether there is something to be put back.
static TAKEN: AtomicBool = AtomicBool::new(false);
static HOOK: Once = Once::new();

/// The terminal while it is ours. Dropping it puts everything back; so does a panic, before its message is printed.
///
/// Nothing but plain characters is written: no colours, so there are none to switch off.
#[derive(Debug)]
pub struct FullScreen {
    shown: Vec<String>,
    shown_on: [usize; 2],
}

impl FullScreen {
    /// Whether keys and screen are there at all.
    pub(crate) fn is_possible() -> bool {
        io::stdin().is_terminal() && io::stdout().is_terminal()
    }

    /// Takes the terminal.
    ///
    /// # Errors
    /// What the system says; then nothing is taken.
    pub fn open() -> io::Result<Self> {
        HOOK.call_once(|| {
            let others = std::panic::take_hook();
            std::panic::set_hook(Box::new(move |panic| {
                put_back();
                others(panic);
            }));
        });
        // Made first: whatever fails from here on, it is dropped and puts back what was taken.
        let screen = Self { shown: Vec::new(), shown_on: [0, 0] };
        TAKEN.store(true, Ordering::SeqCst);
        enable_raw_mode()?;
        execute!(io::stdout(), EnterAlternateScreen, DisableLineWrap, Hide)?;
        Ok(screen)
    }

    /// Columns and lines there are.
    pub(super) fn size(&self) -> io::Result<[usize; 2]> {
        let (columns, lines) = size()?;
        Ok([columns.into(), lines.into()])
    }

    /// Shows lines from the top, and nothing else; writes nothing if it is there already.
    pub(super) fn show(&mut self, lines: Vec<String>) -> io::Result<()> {
        let size = self.size()?;
        if self.shown == lines && self.shown_on == size {
            return Ok(());
        }
        // Written in one go, so that nobody sees half a screen.
        let mut bytes = Vec::new();
        for (row, line) in lines.iter().take(size[1]).enumerate() {
            // A terminal has at most 65,535 lines.
            queue!(bytes, MoveTo(0, row as u16), Print(line), Clear(ClearType::UntilNewLine))?;
        }
        // Below the last line, if there is a line below it.
        if lines.len() < size[1] {
            queue!(bytes, MoveTo(0, lines.len() as u16), Clear(ClearType::FromCursorDown))?;
        }
        let mut out = io::stdout().lock();
        out.write_all(&bytes)?;
        out.flush()?;
        (self.shown, self.shown_on) = (lines, size);
        Ok(())
    }

    /// The next key that means something; none after so much time, or if something else happened.
    pub(super) fn next_key(&mut self, patience: Duration) -> io::Result<Option<Key>> {
        if !event::poll(patience)? {
            return Ok(None);
        }
        Ok(match event::read()? {
            Event::Key(key) if key.kind != KeyEventKind::Release => meaning(key),
            _ => None,
        })
    }
}

impl Drop for FullScreen {
    fn drop(&mut self) {
        put_back();
    }
}

/// Puts everything back, once. There is nobody to be told if that fails.
fn put_back() {
    if TAKEN.swap(false, Ordering::SeqCst) {
        let _ = execute!(io::stdout(), EnableLineWrap, Show, LeaveAlternateScreen);
        let _ = disable_raw_mode();
    }
}

fn meaning(key: KeyEvent) -> Option<Key> {
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return (key.code == KeyCode::Char('c')).then_some(Key::End);
    }
    Some(match key.code {
        KeyCode::Up => Key::Turn(1),
        KeyCode::Down => Key::Turn(-1),
        KeyCode::PageUp => Key::Turn(10),
        KeyCode::PageDown => Key::Turn(-10),
        KeyCode::Enter => Key::Press,
        KeyCode::Left | KeyCode::Backspace => Key::Back,
        KeyCode::Char('e' | 'E') => Key::Enough,
        KeyCode::Char('s' | 'S') => Key::ScrewsTurned,
        KeyCode::Char('q' | 'Q') | KeyCode::Esc => Key::End,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_mean_what_the_legend_says() {
        let plain = |code| meaning(KeyEvent::new(code, KeyModifiers::NONE));
        assert_eq!([KeyCode::Up, KeyCode::Down].map(plain), [Some(Key::Turn(1)), Some(Key::Turn(-1))]);
        assert_eq!([KeyCode::PageUp, KeyCode::PageDown].map(plain), [Some(Key::Turn(10)), Some(Key::Turn(-10))]);
        assert_eq!([KeyCode::Left, KeyCode::Backspace].map(plain), [Some(Key::Back); 2]);
        assert_eq!([KeyCode::Enter, KeyCode::Char('s')].map(plain), [Some(Key::Press), Some(Key::ScrewsTurned)]);
        assert_eq!(plain(KeyCode::Char('e')), Some(Key::Enough));
        assert_eq!([KeyCode::Char('q'), KeyCode::Esc].map(plain), [Some(Key::End); 2]);
        assert_eq!([KeyCode::Char('c'), KeyCode::Right, KeyCode::Char(' ')].map(plain), [None; 3]);
        let control = |c| meaning(KeyEvent::new(KeyCode::Char(c), KeyModifiers::CONTROL));
        assert_eq!([control('c'), control('s'), control('q')], [Some(Key::End), None, None]);
    }
}

//! Questions of a run, put to the person at the terminal.

use std::io::{BufRead, IsTerminal, Write};
use std::sync::{Arc, Mutex};

use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::terminal::plain;
use crate::run::{Desk, Later, Question};

/// The terminal, when a person sits at it; otherwise no answer ever comes.
pub(super) struct AtTerminal {
    /// Lines that were typed; read by one thread for the whole run, as a read cannot be taken back.
    typed: Option<Arc<Mutex<UnboundedReceiver<String>>>>,
    someone: bool,
}

impl AtTerminal {
    /// Nothing is read before the first question.
    pub(super) fn new(interactive: bool) -> Self {
        AtTerminal { typed: None, someone: interactive && std::io::stdin().is_terminal() }
    }

    fn typed(&mut self) -> Arc<Mutex<UnboundedReceiver<String>>> {
        let begin = || {
            let (lines, typed) = unbounded_channel();
            let read = move || {
                for line in std::io::stdin().lock().lines() {
                    let Ok(line) = line else { return };
                    if lines.send(line).is_err() {
                        return;
                    }
                }
            };
            if let Err(error) = std::thread::Builder::new().name("desk".into()).spawn(read) {
                tracing::warn!(%error, "no answer can be read");
            }
            Arc::new(Mutex::new(typed))
        };
        self.typed.get_or_insert_with(begin).clone()
    }
}

impl Desk for AtTerminal {
    fn ask<'a>(&'a mut self, question: &'a Question) -> Later<'a, String> {
        if !self.someone {
            return Box::pin(std::future::pending());
        }
        let typed = self.typed();
        Box::pin(async move {
            let answers = question.answers.join(", ");
            let (default, seconds) = (&question.default, question.within.as_secs());
            prompt(&format!(
                "{} [{answers}] ({default} is taken after {seconds} s) ",
                question.question
            ));
            loop {
                let line = next_line(&typed).await;
                if let Some(answer) = question.answers.iter().find(|known| **known == line.trim()) {
                    return answer.clone();
                }
                prompt(&format!("one of {answers}, please: "));
            }
        })
    }
}

/// The next line that is typed; never ends when nothing can be typed any more.
async fn next_line(typed: &Mutex<UnboundedReceiver<String>>) -> String {
    std::future::poll_fn(|context| match typed.lock() {
        Ok(mut typed) => match typed.poll_recv(context) {
            std::task::Poll::Ready(Some(line)) => std::task::Poll::Ready(line),
            _ => std::task::Poll::Pending,
        },
        Err(_) => std::task::Poll::Pending,
    })
    .await
}

fn prompt(text: &str) {
    let mut out = std::io::stderr();
    // Standard error may be gone; the default answer then counts.
    let _ = out.write_all(plain(text).as_bytes()).and_then(|()| out.flush());
}

//! Instruments that repeat what they are sent, some of them only now and then, and that may
//! write a prompt.

use std::collections::VecDeque;

/// Most sent lines remembered.
const MOST: usize = 32;

/// What the instrument may still repeat.
#[derive(Debug)]
pub(crate) struct Echo {
    on: bool,
    prompt: String,
    sent: VecDeque<String>,
}

impl Echo {
    pub fn new(on: bool, prompt: &str) -> Self {
        Self {
            on,
            prompt: prompt.to_owned(),
            sent: VecDeque::new(),
        }
    }

    /// Whether what comes in unasked may be echo or prompt.
    pub fn expected(&self) -> bool {
        self.on || !self.prompt.is_empty()
    }

    /// Notes a line that was sent.
    pub fn sent(&mut self, line: &str) {
        if self.on {
            self.sent.truncate(MOST - 1);
            self.sent.push_front(line.to_owned());
        }
    }

    /// Forgets what was sent: its answer has come.
    pub fn settle(&mut self) {
        self.sent.clear();
    }

    /// `line` without prompts; none when nothing but an echo is left.
    pub fn strip<'a>(&self, line: &'a str) -> Option<&'a str> {
        let mut text = line;
        if !self.prompt.is_empty() {
            while let Some(rest) = text.strip_prefix(self.prompt.as_str()) {
                text = rest;
            }
            // The blank of the prompt may be cut off where lines are trimmed.
            if text == self.prompt.trim_end() {
                text = "";
            }
        }
        let repeated = self.sent.iter().any(|sent| sent == text);
        (!text.is_empty() && !repeated).then_some(text)
    }
}

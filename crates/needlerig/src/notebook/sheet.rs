//! A page of names and texts in two columns, no wider than a terminal of 80.

use std::fmt::Write;

/// Columns on a line.
const WIDTH: usize = 79;
/// Columns of the names.
const NAMES: usize = 22;

/// The page.
pub struct Sheet(String);

impl Sheet {
    /// A page under a title.
    pub fn titled(title: &str) -> Self {
        Self(format!("{title}\n\n"))
    }

    /// An empty line, unless one is there already.
    pub fn gap(&mut self) {
        if !self.0.ends_with("\n\n") {
            self.0.push('\n');
        }
    }

    /// One row; a long text goes on below itself.
    pub fn row(&mut self, name: &str, text: &str) {
        let mut name = name;
        let mut line = String::new();
        for word in text.split_inclusive(' ') {
            let full = line.chars().count() + word.trim_end().chars().count();
            if !line.is_empty() && full > WIDTH - NAMES - 2 {
                self.line(name, &line);
                name = "";
                line.clear();
            }
            line.push_str(word);
        }
        self.line(name, &line);
    }

    fn line(&mut self, name: &str, text: &str) {
        // Writing into a String cannot fail.
        let _ = writeln!(self.0, "  {name:<NAMES$}{}", text.trim_end());
    }

    /// The page so far.
    pub fn text(self) -> String {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_texts_go_on_below_themselves() {
        let mut sheet = Sheet::titled("one");
        sheet.row("name", &"word ".repeat(40));
        sheet.gap();
        sheet.gap();
        sheet.row("µ", &"x".repeat(100));
        let text = sheet.text();
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[2].starts_with("  name                  word"));
        assert!(lines[3].starts_with("                        word"));
        assert!(
            lines[..lines.len() - 1]
                .iter()
                .all(|l| l.chars().count() <= WIDTH)
        );
        assert_eq!(text.matches("word").count(), 40);
        assert_eq!(text.matches("\n\n").count(), 2);
        assert!(lines.last().unwrap().ends_with('x'), "a word is never cut");
    }
}

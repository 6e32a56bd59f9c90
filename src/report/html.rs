//! Text made safe for a page. Knows nothing of what the text says.

use std::fmt::Display;

/// `text` as the content of an element or of an attribute in double quotes.
pub(super) fn escape(text: impl Display) -> String {
    let text = text.to_string();
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // Other control characters have no meaning in a page, and some are not allowed there.
            c if c.is_control() && !c.is_whitespace() => safe.push('\u{fffd}'),
            // Marks that turn the direction of writing could make a text read as another one.
            '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

/// `text` as content that may break after each `.` and `_`, as long names do, and nowhere else.
pub(super) fn breakable(text: impl Display) -> String {
    escape(text).replace('.', ".<wbr>").replace('_', "_<wbr>")
}

/// A name as code, breaking as [`breakable`] says.
pub(super) fn code(name: impl Display) -> String {
    format!("<code>{}</code>", breakable(name))
}

/// A table with a caption; cells are HTML already, and may wrap.
pub(super) fn table(caption: &str, head: &[&str], rows: &[Vec<String>]) -> String {
    table_of_class("", caption, head, rows)
}

/// A table whose cells do not wrap: numbers to compare down a column.
pub(super) fn number_table(caption: &str, head: &[&str], rows: &[Vec<String>]) -> String {
    table_of_class("numbers", caption, head, rows)
}

fn table_of_class(class: &str, caption: &str, head: &[&str], rows: &[Vec<String>]) -> String {
    let mut html = format!(
        "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"{caption}\"><table class=\"{class}\">\
         <caption>{caption}</caption><thead><tr>",
        caption = escape(caption)
    );
    for cell in head {
        html.push_str(&format!("<th scope=\"col\">{}</th>", escape(cell)));
    }
    html.push_str("</tr></thead><tbody>\n");
    for row in rows {
        html.push_str("<tr>");
        for (column, cell) in row.iter().enumerate() {
            let element = if column == 0 { "th scope=\"row\"" } else { "td" };
            let close = if column == 0 { "th" } else { "td" };
            // On a narrow screen the rows are stacked, each cell behind its column's name.
            let name = head.get(column).map(escape).filter(|_| column > 0);
            let name = name.map(|name| format!(" data-head=\"{name}\"")).unwrap_or_default();
            html.push_str(&format!("<{element}{name}>{cell}</{close}>"));
        }
        html.push_str("</tr>\n");
    }
    html.push_str("</tbody></table></div>\n");
    html
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_break_after_their_dots_and_underscores() {
        assert_eq!(code("dut.rx_<gain>"), "<code>dut.<wbr>rx_<wbr>&lt;gain&gt;</code>");
        assert_eq!(breakable("plain words"), "plain words");
    }

    #[test]
    fn nothing_leaves_its_element_or_attribute() {
        let hostile = "<script>\"&'\u{202e}\u{0}\n";
        assert_eq!(escape(hostile), "&lt;script&gt;&quot;&amp;&#39;\u{fffd}\u{fffd}\n");
    }
}

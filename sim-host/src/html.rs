//! What all pages of HTML need.

/// The text with the characters that mean something in HTML written out, for text and for attributes in double quotes.
pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_means_something_is_written_out() {
        assert_eq!(escaped("<a href=\"x\"> & b"), "&lt;a href=&quot;x&quot;&gt; &amp; b");
    }
}

//! Mail-to-text gateways of carriers. Most have been shut down or fail without a word, so an address
//! there is no route that can be relied on.

/// Domains of such gateways. From memory and from lists people keep; some have ended: mms.att.net in
/// June 2025, those of Rogers and Fido in July 2023.
const GATEWAYS: [&str; 30] = [
    "txt.att.net",
    "mms.att.net",
    "vtext.com",
    "vzwpix.com",
    "mypixmessages.com",
    "tmomail.net",
    "messaging.sprintpcs.com",
    "pm.sprint.com",
    "email.uscc.net",
    "mms.uscc.net",
    "sms.myboostmobile.com",
    "myboostmobile.com",
    "mymetropcs.com",
    "sms.mycricket.com",
    "mms.cricketwireless.net",
    "sms.cricketwireless.net",
    "vmobl.com",
    "msg.fi.google.com",
    "mmst5.tracfone.com",
    "message.ting.com",
    "sms.rogers.com",
    "pcs.rogers.com",
    "mms.rogers.com",
    "fido.ca",
    "txt.bell.ca",
    "txt.bellmobility.ca",
    "vmobile.ca",
    "msg.telus.com",
    "msg.koodomobile.com",
    "sms.sasktel.com",
];

/// Whether mail to this address would go through a carrier's gateway.
#[must_use]
pub fn is_mail_to_text_gateway(address: &str) -> bool {
    address.trim().rsplit_once('@').is_some_and(|(_, domain)| {
        let domain = domain.trim_end_matches('.');
        GATEWAYS.iter().any(|gateway| domain.eq_ignore_ascii_case(gateway))
    })
}

#[cfg(test)]
mod tests {
    use super::is_mail_to_text_gateway;

    #[test]
    fn gateways_are_told_from_mailboxes() {
        assert!(is_mail_to_text_gateway("2025550143@VTEXT.com"));
        assert!(is_mail_to_text_gateway(" 2025550143@txt.att.net."));
        for address in ["kim@example.org", "vtext.com@example.org", "kim@notvtext.com", "vtext.com", ""] {
            assert!(!is_mail_to_text_gateway(address), "{address}");
        }
    }
}

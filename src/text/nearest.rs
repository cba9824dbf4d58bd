//! "Did you mean": the nearest valid name, from one place, for every kind of name.

/// The candidate nearest to `name` by edit distance (adjacent swaps count one), if one is near
/// enough to be a slip of the hand: at most a third of the longer name, at least one edit.
/// Ties go to the name that sorts first, so the answer does not depend on the order given.
///
/// ```
/// use halfsplit::text::nearest;
/// assert_eq!(nearest("volst", ["volts", "ohms"]), Some("volts"));
/// assert_eq!(nearest("potentiometer", ["resistor", "pot"]), Some("pot"));
/// assert_eq!(nearest("zebra", ["volts", "ohms"]), None);
/// ```
pub fn nearest<'a>(name: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let name = name.chars().take(120).collect::<String>().to_lowercase();
    let length = name.chars().count();
    candidates
        .into_iter()
        .filter_map(|c| {
            let (lower, long) = (c.to_lowercase(), c.chars().count());
            let most = (length.max(long) / 3).max(1);
            let begins = (name.len() >= 4 && lower.starts_with(&name))
                // A longer form of a short name: `potentiometer` for `pot`.
                || (c.len() >= 3 && name.starts_with(&lower));
            // What differs more than that in length alone is that far away at least.
            if !begins && length.abs_diff(long) > most {
                return None;
            }
            let distance = strsim::osa_distance(&name, &lower);
            (begins || distance <= most).then_some((distance, c))
        })
        .min()
        .map(|(_, c)| c)
}

/// `did you mean 'x'?` when a candidate is near, else a list of at most eight valid names.
/// Empty where there are no candidates at all.
pub fn or_nearest<'a>(name: &str, candidates: impl IntoIterator<Item = &'a str>) -> String {
    let all: Vec<&str> = candidates.into_iter().collect();
    match nearest(name, all.iter().copied()) {
        Some(near) => format!("did you mean '{near}'?"),
        None if all.is_empty() => String::new(),
        None if all.len() <= 8 => format!("valid here: {}", all.join(", ")),
        None => format!("valid here: {}, … ({} in all)", all[..6].join(", "), all.len()),
    }
}

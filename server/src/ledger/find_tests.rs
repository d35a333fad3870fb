//! However a search goes about it, it finds what the rules of `search` say, in the order of the list, page by page.

use std::collections::BTreeSet;

use super::{Reach, Wanted, all, page, plan};
use crate::access::testing::{Folder, database};
use crate::database::{self, Pool};
use crate::edge::Random;
use crate::ledger::load;
use crate::search::{Query, Words, ends, is_plain};
use uuid::Uuid;

const STATES: [&str; 3] = ["in care", "handed back", "not taken in"];
const MAKES: [&str; 4] = ["Alder", "Aldermann", "Birch", "Bírch-Werke"];
const NAMES: [&str; 8] = ["Okafor", "Okafro", "Novak", "Nowak", "Lindqvist", "Ólafsdóttir", "Smith", "Smyth"];
const QUERIES: [&str; 24] = [
    "alder",
    "ald",
    "a",
    "birch okafor",
    "chainsaw",
    "chainsaw mower",
    "okafor",
    "okafro novak",
    "smith",
    "n",
    "20",
    "0007",
    "7",
    "a-260",
    "A 260 chainsaw",
    "260 smith",
    "+43 660 12",
    "+43 660 1200003",
    "0660 1200003 mower",
    "chiansaw",
    "birch-werke",
    "lindqvist 12",
    "nothing",
    "handed",
];

/// An intake as the lists have it.
struct Made {
    id: Uuid,
    opened: u64,
    state: &'static str,
    words: BTreeSet<String>,
}

fn below(random: &Random, end: u64) -> u64 {
    u64::from_le_bytes(random.bytes()) % end
}

fn one_of<'a>(random: &Random, all: &[&'a str]) -> &'a str {
    usize::try_from(below(random, all.len() as u64)).ok().and_then(|n| all.get(n)).copied().unwrap_or_default()
}

/// Intakes with words of very different frequency, opened in another order than they are written.
async fn shop_of(pool: &Pool, shop: Uuid, random: &Random, count: u64) -> Vec<Made> {
    let mut tx = pool.begin().await.expect("a transaction");
    sqlx::query("INSERT INTO shop (id, log_name, opened_at) VALUES ($1, 'x', 0)")
        .bind(shop.to_string())
        .execute(&mut *tx)
        .await
        .expect("a shop");
    let mut made = Vec::new();
    for n in 0..count {
        let mut words = Words::default();
        words.tag(&format!("{n:04}"));
        words.text(if below(random, 5) > 0 { "chainsaw" } else { "mower" });
        words.code(one_of(random, &MAKES));
        words.code(&format!("A-{}", 250 + below(random, 20)));
        words.text(one_of(random, &NAMES));
        words.phone(&format!("+43 660 {}", 1_200_000 + below(random, 9)));
        // Each number once, and the later written often opened earlier.
        let opened = (n * 37 + 11) % count * 9 + below(random, 9);
        made.push(Made { id: random.uuid(0), opened, state: one_of(random, &STATES), words: words.all() });
    }
    for m in &made {
        sqlx::query(
            "INSERT INTO intake (shop, id, tag, state, kind, opened_idx, last_idx, summary) VALUES ($1, $2, $3, $4, $5, $6, $6, '{}')",
        )
        .bind(shop.to_string())
        .bind(m.id.to_string())
        .bind(m.id.to_string())
        .bind(m.state)
        .bind(Vec::<u8>::new())
        .bind(i64::try_from(m.opened).expect("small"))
        .execute(&mut *tx)
        .await
        .expect("a row");
        for word in &m.words {
            sqlx::query("INSERT INTO intake_word (shop, word, intake) VALUES ($1, $2, $3)")
                .bind(shop.to_string())
                .bind(word)
                .bind(m.id.to_string())
                .execute(&mut *tx)
                .await
                .expect("a word");
            if is_plain(word) {
                let (front, back) = ends(word);
                sqlx::query(
                    "INSERT INTO search_word (shop, word, front, back) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
                )
                .bind(shop.to_string())
                .bind(word)
                .bind(front)
                .bind(back)
                .execute(&mut *tx)
                .await
                .expect("a word");
            }
        }
    }
    tx.commit().await.expect("a commit");
    made
}

#[tokio::test]
async fn every_way_of_searching_finds_the_same_pages() {
    let folder = Folder::new();
    let pool = database(&folder.0).await;
    let random = Random::Seeded(std::sync::Arc::new(std::sync::atomic::AtomicU64::new(7)));
    let (shop, other) = (random.uuid(0), random.uuid(0));
    let mut made = shop_of(&pool, shop, &random, 160).await;
    shop_of(&pool, other, &random, 20).await;
    made.sort_by_key(|m| std::cmp::Reverse(m.opened));
    // Begins with a word wherever it can; never does; and both, as the word is.
    let reach = |rare, looks, most| Reach { rare, looks, most };
    let reaches = [
        reach(10_000, 1, 0),
        reach(0, 1_000_000, 0),
        reach(0, 9, 0),
        reach(12, 40, 0),
        reach(0, 30, 10_000),
        reach(5, 30, 40),
    ];
    let mut found_by_several = 0;
    for (text, state) in QUERIES.iter().flat_map(|q| [(q, None), (q, Some("handed back"))]) {
        let query = Query::parse(text);
        let expected: Vec<u64> = made
            .iter()
            .filter(|m| query.finds(&m.words) && state.is_none_or(|s| s == m.state))
            .map(|m| m.opened)
            .collect();
        found_by_several += usize::from(expected.len() > 8);
        for reach in reaches {
            let limit = u32::try_from(1 + below(&random, 9)).expect("small");
            let mut db = database::reading(&pool).await.expect("a transaction");
            let plan = plan(&mut db, shop, &query).await.expect("a plan");
            let (mut got, mut before, mut pages) = (Vec::new(), None, 0);
            loop {
                let wanted = Wanted { shop, state, before, limit, columns: "id, opened_idx" };
                let one = page(&mut db, &plan, &wanted, reach).await.expect("a page");
                assert!(one.rows.len() <= limit as usize);
                got.extend(one.rows.iter().map(|r| load::number(r, "opened_idx").expect("a number")));
                pages += 1;
                if one.next.is_none() {
                    break;
                }
                assert!(before.is_none_or(|b| one.next < Some(b)), "{text}: {reach:?} goes on");
                before = one.next;
            }
            assert_eq!(got, expected, "{text:?} {state:?} {reach:?} {limit} a page");
            assert!(
                reach.rare > 0 || reach.looks > 9 || expected.is_empty() || pages > 1,
                "{text:?}: a short reach looks at all at once"
            );
        }
    }
    assert!(found_by_several > 20, "most of these find more than a page: {found_by_several}");
    let mut db = database::reading(&pool).await.expect("a transaction");
    let plan = plan(&mut db, shop, &Query::parse("chainsaw")).await.expect("a plan");
    let saws: Vec<Uuid> = made.iter().filter(|m| m.words.contains("chainsaw")).map(|m| m.id).collect();
    let (some, more) = all(&mut db, shop, &plan, 10).await.expect("intakes");
    assert!(more && some == saws[..10]);
    let (every, more) = all(&mut db, shop, &plan, 200).await.expect("intakes");
    assert!(!more && every == saws);
}

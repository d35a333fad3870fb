use super::*;
use crate::database::{self, For, Place};

/// A file, and PostgreSQL.
async fn both(folder: &std::path::Path) -> [Pool; 2] {
    let of = |name: &str, database: Option<&str>| {
        let data = folder.join(name);
        std::fs::create_dir_all(&data).expect("a folder");
        Place::new(&data, database)
    };
    let file = database::open(&of("file", None), For::Move).await.expect("a file");
    let server = database::open(&of("server", Some(&cluster::database())), For::Move).await.expect("a database");
    [file, server]
}

/// Rows of every kind: of several tables that name each other, without a value, with bytes of every value, with a word of SQL as a
/// column's name, more than a page holds, and numbers at both ends.
async fn filled(pool: &Pool) {
    let shop = "00000000-0000-7000-8000-000000000001";
    let run = async |sql: &'static str| {
        sqlx::query(sql).bind(shop).execute(pool).await.expect(sql);
    };
    run("INSERT INTO shop (id, log_name, opened_at) VALUES ($1, 'counterfoil', -9223372036854775807)").await;
    sqlx::query("INSERT INTO log_head (shop, epoch, size, root, note, log_time) VALUES ($1, 1, 0, $2, '', 0)")
        .bind(shop)
        .bind(evidence::tree::empty_root().to_vec())
        .execute(pool)
        .await
        .expect("a head");
    run("INSERT INTO projected (shop, version) VALUES ($1, 9223372036854775807)").await;
    run("INSERT INTO staff (shop, staff, name, sign_in, roles, active, revision, made_at) VALUES ($1, 's', 'Ïnes \u{1F527}', 'i', '', 1, 0, 0)").await;
    run("INSERT INTO named_file (shop, file, named_idx, intake, of, photo, size, media_type) VALUES ($1, X'', 7, 'i', 'photo', '', 0, '')").await;
    for n in 0..25i64 {
        let bytes: Vec<u8> = (0..=255).map(|b: u8| b.wrapping_mul(2 * n as u8 + 1)).collect();
        sqlx::query("INSERT INTO document (shop, digest, what, name, bytes) VALUES ($1, $2, 'kind', $3, $2)")
            .bind(shop)
            .bind(bytes)
            .bind(format!("{n}\u{e9}\t'\"\\"))
            .execute(pool)
            .await
            .expect("a document");
        sqlx::query("INSERT INTO unsaid (shop, entry) VALUES ($1, $2)")
            .bind(shop)
            .bind(n.to_string())
            .execute(pool)
            .await
            .expect("something unsaid");
    }
}

async fn count(pool: &Pool, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql).fetch_one(pool).await.expect(sql)
}

#[tokio::test]
async fn every_value_is_the_same_there_and_back_and_a_copy_goes_on_where_it_stopped() {
    let home = tempfile::tempdir().expect("a folder");
    let [file, server] = both(home.path()).await;
    filled(&file).await;
    // Stopped in the middle: the error of a page is like a kill between two transactions.
    let mut from = database::reading(&file).await.expect("a state");
    let tables = pairs(&mut from, &mut server.acquire().await.expect("one")).await.expect("the same tables");
    for (table, there) in tables.iter().filter(|(t, _)| ["shop", "document"].contains(&t.name.as_str())) {
        let page = table.page(&mut from, None, 7).await.expect("a page");
        there.put(&server, table, &page).await.expect("it is kept");
    }
    let mut told = Vec::new();
    by_pages_of(7, &mut from, &server, |done| told.push(done.clone())).await.expect("it goes on");
    let copied = |name: &str| told.iter().find(|d| d.table == name).map(|d| d.copied);
    assert_eq!((copied("shop"), copied("document"), copied("unsaid")), (Some(0), Some(18), Some(25)));
    compared(&mut from, &mut server.acquire().await.expect("one")).await.expect("the same rows");
    drop(from);

    // The database counts on after what came.
    sqlx::query("INSERT INTO unsaid (shop, entry) VALUES ('x', '')").execute(&server).await.expect("the next");
    assert_eq!(count(&server, "SELECT max(n) FROM unsaid").await, 26);
    sqlx::query("DELETE FROM unsaid WHERE n = 26").execute(&server).await.expect("away");

    let third = home.path().join("third.db");
    let back = database::fresh_file(&third).await.expect("a file");
    let mut from = database::reading(&server).await.expect("a state");
    all(&mut from, &back, |_| ()).await.expect("back");
    drop(from);
    let mut from = database::reading(&file).await.expect("a state");
    let rows = compared(&mut from, &mut back.acquire().await.expect("one")).await.expect("as it was");
    assert_eq!(rows, 1 + 1 + 1 + 1 + 1 + 25 + 25);

    // One changed value is found, wherever it is.
    for change in [
        "UPDATE staff SET password = ''",
        "UPDATE projected SET version = version - 1",
        "DELETE FROM unsaid WHERE n = 25",
    ] {
        sqlx::query(change).execute(&back).await.expect(change);
        let told = compared(&mut from, &mut back.acquire().await.expect("one")).await.expect_err(change).to_string();
        let table = change.split(' ').find(|w| ["staff", "projected", "unsaid"].contains(w)).expect("a table");
        assert!(told.contains(table), "{change}: {told}");
        emptied(&back).await.expect("emptied");
        assert_eq!(count(&back, "SELECT count(*) FROM shop").await, 0);
        all(&mut from, &back, |_| ()).await.expect("anew");
    }
}

#[tokio::test]
async fn a_table_that_only_one_has_is_told_and_a_nul_names_its_table() {
    let home = tempfile::tempdir().expect("a folder");
    let [file, server] = both(home.path()).await;
    sqlx::query("INSERT INTO shop (id, log_name, opened_at) VALUES ('a', 'b' || char(0), 1)")
        .execute(&file)
        .await
        .expect("a NUL");
    let mut from = database::reading(&file).await.expect("a state");
    let told = all(&mut from, &server, |_| ()).await.expect_err("PostgreSQL keeps none").to_string();
    assert!(told.contains("table shop") && told.contains("NUL"), "{told}");
    drop(from);
    sqlx::query("CREATE TABLE newer (n BIGINT PRIMARY KEY)").execute(&server).await.expect("a table");
    let mut from = database::reading(&file).await.expect("a state");
    let told = all(&mut from, &server, |_| ()).await.expect_err("another version").to_string();
    assert!(told.contains("newer"), "{told}");
}

//! A query put together from pieces. The library's own builder writes `?` for a database it does not know; here it is `$1`.

use sqlx::Encode;
use sqlx::any::{Any, AnyArguments};
use sqlx::query::Query;
use sqlx::{Arguments, AssertSqlSafe, Type};

/// Text in pieces, and the values bound into it.
#[derive(Default)]
pub struct Builder {
    sql: String,
    values: AnyArguments,
    wrong: Option<sqlx::Error>,
}

impl Builder {
    /// Begins with this text.
    pub fn new(sql: &str) -> Builder {
        Builder { sql: sql.to_owned(), ..Builder::default() }
    }

    /// Adds text. Never what somebody sent: that is bound.
    pub fn push(&mut self, sql: &str) -> &mut Builder {
        self.sql.push_str(sql);
        self
    }

    /// Adds a placeholder and binds the value to it.
    pub fn push_bind<'v>(&mut self, value: impl Encode<'v, Any> + Type<Any>) -> &mut Builder {
        if let Err(e) = self.values.add(value) {
            self.wrong.get_or_insert(sqlx::Error::Encode(e));
        }
        self.sql.push_str(&format!("${}", self.values.len()));
        self
    }

    /// The query.
    ///
    /// # Errors
    /// When a value could not be bound.
    pub fn build(self) -> Result<Query<'static, Any, AnyArguments>, sqlx::Error> {
        match self.wrong {
            Some(e) => Err(e),
            None => Ok(sqlx::query_with(AssertSqlSafe(self.sql), self.values)),
        }
    }
}

-- Typst knows no HTML: tables, folded parts and the banner, which cells write as raw HTML, become
-- Pandoc's own blocks before Quarto numbers them. A style sheet has no place in a PDF. A callout
-- becomes a quotation, because Quarto's own fetches an icon package from the network. What only a
-- pointer or the Tab key reaches is left out: the picture below it stays.

local function plain(block)
  if block.format ~= "html" then
    return nil
  end
  local text = block.text
  for _, part in ipairs { "<style>.-</style>", "</?details[^>]*>", "<svg.-</svg>", '<a class="skip".-</a>' } do
    text = text:gsub(part, "")
  end
  text = text:gsub("<summary>(.-)</summary>", "<p><strong>%1</strong></p>")
  if text:match("^%s*$") then
    return {}
  end
  local blocks = pandoc.read(text, "html+native_divs").blocks
  return blocks:walk {
    Div = function(div)
      return div.content
    end,
    Table = function(table)
      table.attr = pandoc.Attr()
      return table
    end,
  }
end

local function quoted(div)
  for _, class in ipairs(div.classes) do
    if class:match("^callout%-") then
      local content = div.content:clone()
      if content[1] and content[1].t == "Header" then
        content[1] = pandoc.Para { pandoc.Strong(content[1].content) }
      end
      return pandoc.BlockQuote(content)
    end
  end
end

local function on_paper(image)
  image.attributes.width, image.attributes.height = "11.5cm", nil
  return image
end

return { { RawBlock = plain, Div = quoted, Image = on_paper } }

-- What the built-in renderer needs of Quarto's Markdown beyond Pandoc's own: numbered
-- figure and table blocks, references to them, callouts, and alt text given as fig-alt.

local names = { fig = "Figure", tbl = "Table" }
local counts = { fig = 0, tbl = 0 }
local labels = {}

local function kind_of(identifier)
  local kind = identifier:match("^(%a+)%-")
  return names[kind] and kind or nil
end

local function number_blocks(div)
  local kind = kind_of(div.identifier)
  if kind then
    counts[kind] = counts[kind] + 1
    labels[div.identifier] = names[kind] .. "\u{a0}" .. counts[kind]
  end
end

local function float(div)
  local content = div.content:clone()
  local caption = content:remove(#content)
  if caption.t ~= "Para" and caption.t ~= "Plain" then
    error("the block #" .. div.identifier .. " does not end with a caption")
  end
  local inlines = pandoc.Inlines { pandoc.Str(labels[div.identifier] .. ":"), pandoc.Space() }
  inlines:extend(caption.content)
  local attributes = pandoc.Attr(div.identifier, { "float-" .. kind_of(div.identifier) })
  return pandoc.Figure(content, { long = { pandoc.Plain(inlines) } }, attributes)
end

local function callout(div, class)
  local content = div.content:clone()
  local title
  if content[1] and content[1].t == "Header" then
    title = content:remove(1).content
  else
    local kind = class:gsub("^callout%-", "")
    title = pandoc.Inlines(kind:sub(1, 1):upper() .. kind:sub(2))
  end
  content:insert(1, pandoc.Para { pandoc.Strong(title) })
  return pandoc.Div(content, pandoc.Attr("", { "callout", class }, { role = "note" }))
end

local function block(div)
  if kind_of(div.identifier) then
    return float(div)
  end
  for _, class in ipairs(div.classes) do
    if class:match("^callout%-") then
      return callout(div, class)
    end
  end
end

local function reference(cite)
  local id = cite.citations[1].id
  if kind_of(id) then
    if not labels[id] then
      error("there is no block for the reference @" .. id)
    end
    return pandoc.Link(labels[id], "#" .. id)
  end
end

local function alternative(image)
  if image.attributes["fig-alt"] then
    image.caption = pandoc.Inlines { pandoc.Str(image.attributes["fig-alt"]) }
    image.attributes["fig-alt"] = nil
    return image
  end
end

function Pandoc(document)
  document:walk { Div = number_blocks }
  return document:walk { Div = block, Cite = reference, Image = alternative }
end
